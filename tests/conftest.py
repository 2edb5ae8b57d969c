"""What holds for every test."""

import os
import sys
import tempfile

# Two workers of two threads each on two cores make small matrices many times slower.  The limit
# counts only if it is set before the numerical libraries load, in this process and in those that
# tests start.
if "numpy" in sys.modules:
    raise RuntimeError("numpy was imported before its thread limit could be set")
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

# The library that brings a PostgreSQL server keeps its locks there, and warns where it is not set.
# Processes that tests start, and the workers of one test session, inherit it.
if "XDG_RUNTIME_DIR" not in os.environ:
    os.environ["XDG_RUNTIME_DIR"] = tempfile.mkdtemp(prefix="evenlode-run-")

# A server that a test starts leaves the user's own database alone.
if "EVENLODE_DATABASE_URL" not in os.environ:
    _folder = tempfile.mkdtemp(prefix="evenlode-data-")
    os.environ["EVENLODE_DATABASE_URL"] = f"sqlite:///{_folder}/evenlode.db"
