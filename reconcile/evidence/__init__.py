"""What the adjustments say about the readings."""
