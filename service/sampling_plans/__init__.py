"""The resource /v1/sampling-plans."""
