"""Where the standard deviation of a reading comes from."""
