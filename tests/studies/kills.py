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

from service.app import create_app  # noqa: E402 - the environment comes first
from service.kit.settings import Settings  # noqa: E402
from tests import databases  # noqa: E402
from tests.service.stored.kills import killed  # noqa: E402
from tests.service.stored.plant import build  # noqa: E402

DEFAULT_KILLS = 200


def main() -> None:
    """Run the study on both databases."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT_KILLS
    clean = True
    for kind in databases.KINDS:
        with (
            tempfile.TemporaryDirectory() as folder,
            databases.database(kind, Path(folder)) as url,
        ):
            app = create_app(Settings(database_url=url))
            build(app)
            app.state.store.close()
            started = time.perf_counter()
            verdict = killed(url, kills, seed=2026)
            took = time.perf_counter() - started
        clean = clean and verdict.is_clean
        print(  # noqa: T201 - what the study is for
            f"{kind}: {verdict.kills} kills in {took:.0f} s; {verdict.attempts} postings, "
            f"{verdict.cut_off} of them cut off or told to wait, {verdict.acknowledged} batches "
            f"acknowledged; lost {len(verdict.lost)}, half written {len(verdict.half_written)}, "
            f"doubled {verdict.doubled}"
        )
    sys.exit(not clean)


if __name__ == "__main__":
    main()
