"""What holds for every test."""

import os
import sys

# Two workers of two threads each on two cores make small matrices many times slower.  The limit
# counts only if it is set before the numerical libraries load, in this process and in those that
# tests start.
if "numpy" in sys.modules:
    raise RuntimeError("numpy was imported before its thread limit could be set")
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")
