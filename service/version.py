"""The version, in one place for the service and the command line."""

VERSION = "0.1.0"
"""The same as in pyproject.toml, which a test holds it to."""
