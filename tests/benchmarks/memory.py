"""
Peak memory of one flowsheet, in a process of its own, on Linux.

``python -m tests.benchmarks.memory lines 1000 10`` prints a line of JSON after the solve, and one
after the evidence.
"""

from __future__ import annotations

import gc
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks import engine
from tests.benchmarks.flowsheets import Family, survey

ROOT = Path(__file__).parents[2]

PEAK = "5"
"""What resets the peak resident size of a process (Linux, proc(5))."""

SECONDS = 900.0
"""A process that takes longer is stopped."""


@dataclass(frozen=True)
class Memory:
    """
    Resident megabytes of one flowsheet.

    ``before`` with all loaded and the flowsheet made; ``solved`` and ``told`` the peaks up to the
    end of the solve and of the evidence.  ``entries`` are those of the factor below its diagonal,
    ``stated`` those of the system itself.
    """

    streams: int
    components: int
    entries: int
    stated: int
    before: float
    solved: float
    told: float | None


def _peak() -> float:
    """Give the peak resident size since the last reset, MB."""
    (line,) = [
        line
        for line in Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
        if line.startswith("VmHWM:")
    ]
    return int(line.split()[1]) * 1024 / 1e6


def _reset() -> None:
    """Let the peak begin anew: what loading and compiling took at its height is over."""
    gc.collect()
    Path("/proc/self/clear_refs").write_text(PEAK, encoding="utf-8")


def measured(family: Family, streams: int, components: int) -> Iterator[Memory]:
    """Measure in this process, which must be fresh: after the solve, then after the evidence."""
    small = survey(family, 60, components, 1)
    engine.whole(small, small.readings(small.draw(np.random.default_rng(1))))
    engine.Engine(small)
    chosen = survey(family, streams, components, 1)
    values = chosen.draw(np.random.default_rng(1))
    readings = chosen.readings(values)
    _reset()
    before = _peak()
    made = engine.Engine(chosen)
    solution = made.solve(values)
    solved = _peak()
    symbolic = engine.Factor(made.plan).symbolic
    count, kinds = chosen.truth.shape
    sizes = count, kinds - 1, symbolic.entries, len(symbolic.index)
    yield Memory(*sizes, before, solved, None)
    engine.evidence(solution, readings)
    yield Memory(*sizes, before, solved, _peak())


def fresh(family: Family, streams: int, components: int) -> Memory | str:
    """Measure in a new process; give its last words if it ends without figures."""
    command = [sys.executable, "-m", __name__, family, str(streams), str(components)]
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as errors:
        # What was printed before the time was up counts.
        with suppress(subprocess.TimeoutExpired):
            subprocess.run(
                command, cwd=ROOT, stdout=out, stderr=errors, timeout=SECONDS, check=False
            )
        for file in (out, errors):
            file.seek(0)
        printed, said = out.read().splitlines(), errors.read().strip().splitlines()
    if printed:
        return Memory(**json.loads(printed[-1]))
    return said[-1] if said else f"not solved in {SECONDS:g} s"


def main() -> None:
    """Print the figures of one flowsheet."""
    family, streams, components = sys.argv[1:]
    for found in measured(Family(family), int(streams), int(components)):
        sys.stdout.write(json.dumps(asdict(found)) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
