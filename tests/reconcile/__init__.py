"""Rules that the engine keeps."""
