"""What is drawn, as plain values: marks with error bars, places in a field, and flows."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Ink(StrEnum):
    """
    What a mark or a line stands for.

    Each has a shape of its own beside its colour: what was read is a ring, what came out a dot,
    and a line that only limits is dashed.
    """

    READ = "read"
    RECONCILED = "reconciled"
    LIMIT = "limit"


@dataclass(frozen=True, slots=True)
class Bar:
    """A mark with an error bar of ``half`` either way; no bar where that is zero."""

    ink: Ink
    value: float
    half: float = 0.0


@dataclass(frozen=True, slots=True)
class Bars:
    """
    Marks with error bars along one axis, a row a name.

    ``lines`` are places on the axis with a thin line, and what it says; with ``from_zero`` each
    mark is tied to zero.
    """

    axis: str
    rows: tuple[tuple[str, tuple[Bar, ...]], ...]
    lines: tuple[tuple[float, str], ...] = ()
    from_zero: bool = False


@dataclass(frozen=True, slots=True)
class Point:
    """
    A place with its name, and an error bar along each axis.

    With a ``correlation`` of its two errors it has an ellipse of these half axes instead of bars.
    """

    name: str
    x: float
    y: float
    x_half: float = 0.0
    y_half: float = 0.0
    correlation: float | None = None


@dataclass(frozen=True, slots=True)
class Curve:
    """A line through places."""

    name: str
    ink: Ink
    x: tuple[float, ...]
    y: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Places:
    """Places and curves over two axes; x is a percentage."""

    x_axis: str
    y_axis: str
    points: tuple[Point, ...] = ()
    curves: tuple[Curve, ...] = ()


@dataclass(frozen=True, slots=True)
class Flow:
    """
    A stream: where from, where to (None is outside), its share of what is fed, and its words.

    ``share`` is between 0 and 1, more where it circulates; None where it is not known.  Each of
    ``words`` stands in a line of its own.
    """

    name: str
    source: str | None
    target: str | None
    share: float | None
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Flows:
    """A flowsheet: its nodes in the order of the request, and its streams."""

    nodes: tuple[str, ...]
    streams: tuple[Flow, ...]


Drawing = Bars | Places | Flows
