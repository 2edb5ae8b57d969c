"""The resource /v1/drift."""

from __future__ import annotations

from service.kit.stateless import calculating

from .reply import DriftReply
from .schemas import MINIMAL_EXAMPLE, DriftRequest
from .service import drift_json

_DESCRIPTION = """\
Balance many shifts of one flowsheet and say which instrument is off; nothing is stored.

What the balances leave over is looked at together: sustained biases by cumulative sums, with
start and size; single gross errors; and whether the stated standard deviations are those that
the series shows. What nothing checks is said to be unchecked, never guessed.
"""

router = calculating(
    drift_json,
    path="/v1/drift",
    tag="drift",
    operation="look_for_drift",
    summary="Look for drift over many shifts",
    description=_DESCRIPTION,
    request=DriftRequest,
    example=MINIMAL_EXAMPLE,
    reply=DriftReply,
    gives="What the series shows.",
)
