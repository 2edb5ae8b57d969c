"""What a first balance loads and compiles, done before there is one."""

from __future__ import annotations

import json

from service.kit.settings import Settings

from .first_use import compile_at_a_time
from .schemas import MINIMAL_EXAMPLE
from .service import balance

_STAGES = 150
"""Stages side by side that make a flowsheet large enough for the sparse road of the engine."""


_PATIENCE_S = 3600.0
"""Seconds that compiling may take on a slow and busy machine."""


def _stage(number: int) -> tuple[list[dict[str, str]], list[dict[str, object]]]:
    """Give streams and readings of one separation."""
    node, feed = f"stage {number}", f"feed {number}"
    ends = ({"to": node}, {"from": node}, {"from": node})
    names = (feed, f"mag {number}", f"nonmag {number}")
    streams = [{"name": name, **end} for name, end in zip(names, ends, strict=True)]
    readings: list[dict[str, object]] = []
    for name, mass, assay in zip(names, (100, 40, 61), (20, 35, 9.8), strict=True):
        readings.append({"stream": name, "of": "mass", "value": mass, "relative_sd": 0.01})
        readings.append({"stream": name, "of": "Sn", "value": assay, "relative_sd": 0.02})
    return streams, readings


def _side_by_side(stages: int) -> dict[str, object]:
    """Give a request of as many separations that do not touch."""
    parts = [_stage(number) for number in range(1, stages + 1)]
    return {
        "flowsheet": {
            "mass_unit": "g",
            "nodes": [f"stage {number}" for number in range(1, stages + 1)],
            "streams": [stream for streams, _ in parts for stream in streams],
            "components": ["Sn"],
        },
        "readings": [reading for _, readings in parts for reading in readings],
    }


def warm_up() -> None:
    """Balance something small and something large, so that nothing is left to load or compile."""
    compile_at_a_time()
    # Limits are for callers; compiling alone may take longer than a balance is allowed.
    limits = Settings(
        time_budget_s=_PATIENCE_S,
        memory_budget_mb=2000,
        body_limit_bytes=1024 * 1024,
        stream_limit=2000,
        component_limit=60,
        reading_limit=50_000,
    )
    for request in (MINIMAL_EXAMPLE, _side_by_side(_STAGES)):
        balance(json.dumps(request).encode(), limits)
