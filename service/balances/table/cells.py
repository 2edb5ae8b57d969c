"""Cells of the tables: values with their errors, or the word for why there is none."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from reconcile import Knowledge
from service.balances.reply import Quantity, ReadingResult, StreamBalance
from service.kit.figures import signed
from service.report.document import Cell, Change, Value

_WORDS = {Knowledge.UNOBSERVABLE: "unknown", Knowledge.UNDEFINED: "undefined"}


class HasValue(Protocol):
    """Anything with a value, its sd and its class."""

    @property
    def value(self) -> float | None:
        """The value."""

    @property
    def sd(self) -> float | None:
        """Its standard deviation."""

    @property
    def class_(self) -> Knowledge:
        """Its class."""


def value_of(of: HasValue) -> Value:
    """Give a value with its error, or the word for why there is none."""
    words = _WORDS.get(of.class_, "unknown") if of.value is None else ""
    return Value(of.value, of.sd, words)


def shown(of: HasValue) -> str:
    """Give the same as text."""
    return value_of(of).text


def read(quantity: Quantity) -> Value:
    """Give what was read."""
    if quantity.reading is None:
        return Value(None, words="not read")
    return Value(quantity.reading, quantity.reading_sd, "fixed" if quantity.reading_sd == 0 else "")


def sds(standardised: float) -> str:
    """Give an adjustment in its own standard deviations."""
    return f"{signed(standardised, 1.0)} sd"


def adjustment(quantity: Quantity) -> Cell:
    """Give an adjustment, also in its own standard deviations."""
    if quantity.reading is None or quantity.reading_sd == 0 or quantity.adjustment is None:
        return ""
    if quantity.class_ is Knowledge.NONREDUNDANT:
        return "unchecked"
    if not quantity.standardised:
        return Change(quantity.adjustment, quantity.reading_sd)
    own_sd = abs(quantity.adjustment / quantity.standardised)
    return Change(quantity.adjustment, own_sd, sds(quantity.standardised))


def bracketed(quantity: Quantity) -> Value:
    """Give a value, in brackets if it was not read."""
    of = value_of(quantity)
    return replace(of, inferred=quantity.reading is None and quantity.value is not None)


def with_period(name: str, period: str | None) -> str:
    """Give a name with its period."""
    return name if period is None else f"{name}, {period}"


def named(stream: StreamBalance) -> str:
    """Give the name of a row."""
    return with_period(stream.name, stream.period)


def what(reading: ReadingResult) -> str:
    """Say what a reading was of."""
    if reading.stock is not None:
        return f"{reading.of} of '{reading.stock}' ({reading.at})"
    streams = " + ".join(f"'{name}'" for name in reading.streams)
    periods = f" in {' + '.join(reading.periods)}" if reading.periods else ""
    return f"{reading.of} of {streams}{periods}"
