"""Proof that the engine and the service do what they say."""
