"""The kernel: arrays and positions in, arrays and positions out."""
