"""Mapped tags in the database: what joins readings with the mapping that holds at their time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy import Connection

from service.kit.units import UNITS
from service.store.tables import mapped_streams, mapped_tags
from service.versions.repository import Version

from .judge import Channel, channel_of
from .schemas import MappingEntry

_S_PER_MINUTE = 60


@dataclass(frozen=True, slots=True)
class Mapped:
    """An entry with its place in the mapping and the unit of its results."""

    position: int
    entry: MappingEntry
    unit: str


def keep(connection: Connection, version: Version, mapped: Iterable[Mapped]) -> None:
    """Store the entries of a version so that readings can be joined with them."""
    mapped = list(mapped)
    tags = [_row(version, m) for m in mapped]
    streams = [
        {"version_id": version.id, "position": m.position, "stream": stream}
        for m in mapped
        for stream in _places(m.entry)
    ]
    if tags:
        connection.execute(sa.insert(mapped_tags), tags)
    if streams:
        connection.execute(sa.insert(mapped_streams), streams)


def _row(version: Version, mapped: Mapped) -> dict[str, object]:
    tag, sample_point, analyte = channel_of(mapped.entry)
    span, unit = mapped.entry.valid_range, UNITS[mapped.unit]
    return {
        "version_id": version.id,
        "position": mapped.position,
        "site_id": version.site_id,
        "tag": tag,
        "sample_point": sample_point,
        "analyte": analyte,
        "unit": mapped.unit,
        "unit_kind": unit.kind.value,
        "unit_size": float(unit.size),
        "low": None if span is None else span.low,
        "high": None if span is None else span.high,
        "lag_s": mapped.entry.lag_minutes * _S_PER_MINUTE,
    }


def _places(entry: MappingEntry) -> Iterator[str]:
    """Give the streams, or the stock, that an entry is of, each once."""
    named = [*(entry.reading.stream or ()), *([entry.reading.stock] if entry.reading.stock else ())]
    yield from dict.fromkeys(named)


def channel_columns(channel: Channel) -> dict[str, str]:
    """Give a channel by the columns that tables name it with."""
    return dict(zip(("tag", "sample_point", "analyte"), channel, strict=True))
