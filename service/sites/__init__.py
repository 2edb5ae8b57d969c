"""The resource ``/v1/sites``: what a caller sees and changes together."""
