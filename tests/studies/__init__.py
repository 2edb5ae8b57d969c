"""Slow statistical studies, run by the commands named in them."""
