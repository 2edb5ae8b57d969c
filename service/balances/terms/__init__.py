"""From a well-written request to what the engine takes, and all in it that makes no sense."""
