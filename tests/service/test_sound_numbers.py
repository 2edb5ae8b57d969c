"""No number that is none leaves the service, wherever in a balance it stands."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest

from reconcile import Balance
from reconcile.columns import Columns, ListedColumns, Own
from reconcile.findings import Family, Tried
from service.balances import service
from service.balances.intake import take_in
from service.balances.terms.asked import asked_of
from service.kit.problems import RefusalError
from service.kit.settings import Settings

from .client import minimal


def _spoilt(held: Any) -> Iterator[Any]:
    """Give what is held, time and again, each time with another of its numbers spoilt."""
    if isinstance(held, float):
        yield from (math.nan, math.inf)
    elif isinstance(held, Columns | ListedColumns | Own | Tried):
        yield from _spoilt_columns(held)
    elif isinstance(held, dict):
        yield from (held | {k: bad} for k, value in held.items() for bad in _spoilt(value))
    elif isinstance(held, tuple):
        made = getattr(held, "_make", tuple)
        for i, value in enumerate(held):
            yield from (made((*held[:i], bad, *held[i + 1 :])) for bad in _spoilt(value))
    elif is_dataclass(held) and not isinstance(held, type):
        for field in fields(held):
            if isinstance(held, Family) and field.name == "critical":
                continue  # infinite where nothing would be significant, and then told as null
            for bad in _spoilt(getattr(held, field.name)):
                yield replace(held, **{field.name: bad})


def _spoilt_columns(held: Columns | ListedColumns[Any] | Own | Tried) -> Iterator[Any]:
    if isinstance(held, Columns):
        for numbers in _spoilt_array(held.numbers):
            yield replace(held, numbers=numbers)
    elif isinstance(held, ListedColumns):
        kind = type(held[0])
        yield from (ListedColumns(kind, lambda bad=bad: bad) for bad in _spoilt(held.columns))
    elif isinstance(held, Own):
        at = held.positions
        yield from (Own(lambda bad=bad: (at, bad)) for bad in _spoilt(held.columns))
    else:
        for numbers in _spoilt_array(held.numbers):
            yield Tried(held.of, numbers, sized=held.sized)


def _spoilt_array(numbers: Any) -> Iterator[Any]:
    for place in np.ndindex(numbers.shape):
        for bad in (math.nan, math.inf):
            whole = numbers.copy()
            whole[place] = bad
            yield whole


def _request(**more: Any) -> bytes:
    return json.dumps(minimal() | more).encode()


def _with_water() -> bytes:
    request = minimal()
    request["flowsheet"]["water"] = True
    request["readings"] += [
        {"stream": "feed", "of": "moisture", "value": 11.0, "sd": 0.5},
        {"stream": "mag 1", "of": "moisture", "value": 9.0, "sd": 0.5},
    ]
    return json.dumps(request).encode()


def _contradictory() -> bytes:
    request = minimal()
    request["readings"][1]["value"] = 1500
    return json.dumps(request).encode()


@pytest.mark.parametrize(
    "body",
    [
        _request(),
        _with_water(),
        _contradictory(),
        _request(performance=[{"feed": "feed", "products": ["mag 1", "nonmag"]}]),
    ],
    ids=["plain", "with water", "with findings", "with performance"],
)
def test_a_balance_with_a_number_that_is_none_is_refused(
    body: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or it is a number that the reply does not tell; the rest is then as ever."""
    settings = Settings()
    monkeypatch.setattr(service, "perf_counter", lambda: 0.0)
    intake = take_in(body, settings)
    asked = asked_of(intake.terms.sheet, intake.terms.entries, intake.terms.readings)
    balance, beyond = service._calculated(intake, asked, settings)
    sound, refused = service.balanced_json(intake, settings), 0

    for bad in _spoilt(balance):
        assert isinstance(bad, Balance)
        monkeypatch.setattr(service, "_calculated", lambda *_, bad=bad: (bad, beyond))
        try:
            assert sound == service.balanced_json(intake, settings)
        except (RefusalError, ValueError, OverflowError):
            refused += 1

    assert refused > 100
