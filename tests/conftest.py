"""What holds for every test."""

import atexit
import os
import shutil
import sys
import tempfile

# Two workers of two threads each on two cores make small matrices many times slower.  The limit
# counts only if it is set before the numerical libraries load, in this process and in those that
# tests start.
if "numpy" in sys.modules:
    raise RuntimeError("numpy was imported before its thread limit could be set")
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")


def _folder(prefix: str) -> str:
    """Make a folder that goes with this process; those that it starts may use it as well."""
    made = tempfile.mkdtemp(prefix=prefix)
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


# The library that brings a PostgreSQL server keeps its locks there, and warns where it is not set.
# Processes that tests start, and the workers of one test session, inherit it.
if "XDG_RUNTIME_DIR" not in os.environ:
    os.environ["XDG_RUNTIME_DIR"] = _folder("evenlode-run-")

# A server that a test starts leaves the user's own database alone.
if "EVENLODE_DATABASE_URL" not in os.environ:
    os.environ["EVENLODE_DATABASE_URL"] = f"sqlite:///{_folder('evenlode-data-')}/evenlode.db"
