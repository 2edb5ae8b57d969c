"""Reference solvers written from the statement of the problem, not from the engine."""
