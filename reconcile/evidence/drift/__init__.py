"""Sustained biases and wrong standard deviations, from the residuals of many shifts."""
