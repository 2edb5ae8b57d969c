"""The doors to the engine: the REST service and the command line."""
