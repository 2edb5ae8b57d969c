"""
How fast the engine is, beside general-purpose solvers, and how its cost grows.

The numerical libraries read their thread limits when they load, so the limits stand here, before
any module of the package can load one.
"""

import os

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"
