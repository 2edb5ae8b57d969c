"""
Kill the server hundreds of times under load, and print what is left of the readings.

    python -m tests.studies.kills [KILLS]
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(variable, "1")
if "XDG_RUNTIME_DIR" not in os.environ:
    os.environ["XDG_RUNTIME_DIR"] = tempfile.mkdtemp(prefix="evenlode-run-")

from tests import databases  # noqa: E402 - the environment comes first
from tests.service.stored.kills import killed  # noqa: E402
from tests.service.stored.plant import fill  # noqa: E402

DEFAULT_KILLS = 200


def main() -> None:
    """Run the study on both databases."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT_KILLS
    clean = True
    for kind in databases.KINDS:
        with (
            tempfile.TemporaryDirectory() as folder,
            databases.database(kind, Path(folder), fill) as url,
        ):
            started = time.perf_counter()
            verdict = killed(url, kills, seed=2026)
            took = time.perf_counter() - started
        clean = clean and verdict.is_clean
        print(  # noqa: T201 - what the study is for
            f"{kind}: {verdict.kills} kills in {took:.0f} s; {verdict.postings} postings, "
            f"{verdict.cut_off} cut off, {verdict.told_to_wait} told to wait; "
            f"{verdict.acknowledged} batches acknowledged; lost {len(verdict.lost)}, half written "
            f"{len(verdict.half_written)}, doubled {verdict.doubled}"
        )
    sys.exit(not clean)


if __name__ == "__main__":
    main()
