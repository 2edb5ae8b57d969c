"""How many threads one calculation uses."""

from __future__ import annotations

from threadpoolctl import threadpool_limits


def use_one_thread_each() -> None:
    """
    Keep the linear algebra of one calculation to one thread, for the life of the process.

    The matrices of a flowsheet are small: several threads spend more time waiting for each other
    than they save.  Calculations that run side by side use the other cores.  Called once the
    engine has been imported, since only libraries already loaded are limited.
    """
    threadpool_limits(limits=1, user_api="blas")
