"""What a metallurgist asks of a balance: laboratory tests, what was separated, what needs care."""
