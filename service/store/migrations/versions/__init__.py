"""One module for each step; each can be undone."""
