"""Checks of what a test engineer asks of a balance."""
