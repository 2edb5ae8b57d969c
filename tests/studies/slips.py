"""
Slips of one reading: whether the first finding names it.

Every reading of an example in turn is taken times 0.1, times 10, and as zero.  Counted are the
slips that the first finding holds among its explanations, those it does not hold, those that the
global test does not show, and those that leave no balance, with and without the reading named in
the refusal.

    python -m tests.studies.slips rougher-cleaner-scavenger flow-network
"""

from __future__ import annotations

import sys
from collections import Counter
from copy import deepcopy
from typing import Any

from tests.service.client import example, post

FACTORS = (0.1, 10.0, 0.0)
ZERO_SD = 0.02
"""Sd of a zero that stands for nothing read, as a share of what was read."""


def slipped(request: dict[str, Any], which: int, factor: float) -> dict[str, Any] | None:
    """Give a request with one value off by a factor, ``None`` where that changes nothing."""
    request = deepcopy(request)
    reading = request["readings"][which]
    value = reading.get("value")
    if not isinstance(value, (int, float)) or value == 0:
        return None
    reading["value"] = value * factor
    if factor == 0 and "sd" not in reading:
        reading["sd"] = ZERO_SD * abs(value)
        reading.pop("relative_sd", None)
    return request


def outcome(request: dict[str, Any], which: int) -> str:
    """Say in a word what becomes of a slip."""
    reply = post(request)
    told, pointer = reply.json(), f"/readings/{which}"
    if reply.status_code != 200:
        if told["faults"]:
            return "refused as no reading at all"
        return "no balance, named" if "decimal point" in told["detail"] else "no balance, not named"
    findings = told["evidence"]["findings"]
    if not findings:
        return "not shown by the global test"
    named = [r for e in findings[0]["explanations"] for r in e["suspect"]["readings"]]
    return "in the first finding" if pointer in named else "not in the first finding"


def main(names: list[str]) -> None:
    """Print how many slips of each example come to what."""
    for name in names:
        request, count = example(name), Counter[str]()
        for which in range(len(request["readings"])):
            for factor in FACTORS:
                changed = slipped(request, which, factor)
                if changed is not None:
                    count[outcome(changed, which)] += 1
        text = ", ".join(f"{count[what]} {what}" for what in sorted(count))
        sys.stdout.write(f"{name}: {text}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
