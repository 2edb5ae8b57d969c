"""Checks against sources outside the project, one folder a case."""
