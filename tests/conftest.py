"""What holds for every test."""

import atexit
import os
import shutil
import sys
import tempfile

import pytest

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


def pytest_configure(config: pytest.Config) -> None:
    """Compile the numerical loops once, before several workers would all compile them at a time."""
    if hasattr(config, "workerinput") or not config.getoption("numprocesses", None):
        return
    # Only now, since the limit of threads must be set before.
    import numpy as np  # noqa: PLC0415

    from reconcile import reconcile_balance  # noqa: PLC0415
    from reconcile.stack import reconcile_stack  # noqa: PLC0415
    from service.balances.first_use import compile_at_a_time  # noqa: PLC0415
    from tests.benchmarks.flowsheets import Family, survey  # noqa: PLC0415

    compile_at_a_time()
    small, large = (survey(Family.DENSE, streams, 2, 1) for streams in (8, 300))
    for chosen in (small, large):
        readings = chosen.readings(chosen.draw(np.random.default_rng(1)))
        reconcile_balance(chosen.flowsheet, readings)
    values = np.array([[reading.value for reading in readings]])
    reconcile_stack(large.flowsheet, readings, np.repeat(values, 20, axis=0))
