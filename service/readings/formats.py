"""A batch in JSON, NDJSON or CSV, taken apart into lines that are judged one by one."""

from __future__ import annotations

import csv
import io
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from reconcile.faults import Fault, Where
from service.kit import strict_json
from service.kit.body import Sent
from service.kit.intake import document_of, fitted
from service.kit.media import CSV, NDJSON
from service.kit.problems import MALFORMED, RefusalError, problem_of, refuse_faulty

from .schemas import Batch, ReadingLine

_NUMBERS = frozenset({"value", "below", "above", "sd", "relative_sd", "step"})
_COMPOSITE = {"composite_from": "from", "composite_to": "to"}
COLUMNS = (*(n for n in ReadingLine.model_fields if n != "composite"), *_COMPOSITE)
"""The columns that a table may have, in any order; an empty cell says nothing."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_DIGITS = re.compile(r"\d{1,18}", re.ASCII)
_LIMIT = re.compile(r"([<>])\s*(.+)")
_LONGEST_CELL = 4000


@dataclass(frozen=True, slots=True)
class Line:
    """
    One line as it was sent: what stands in it, and what could not even be read.

    ``where`` leads to it in the body, where pointers are of the body.
    """

    number: int
    document: Any
    faults: list[Fault] = field(default_factory=list)
    where: Where = ()


def lines_of(batch: Sent, most: int) -> list[Line]:
    """
    Take a batch apart.

    Raises
    ------
    RefusalError
        400 or 422 where it cannot be taken apart, is empty, or has more lines than are taken.
    """
    takers = {NDJSON: _of_ndjson, CSV: _of_csv}
    lines = list(takers.get(batch.kind, _of_json)(batch.content))
    if len(lines) > most:
        what = f"There are {len(lines)} readings; this service takes {most} at a time."
        mend = "Send them in several batches; their order does not matter."
        raise refuse_faulty([Fault(("readings",), "too-many-readings", what, mend)])
    if not lines:
        what, mend = "There are no readings.", "Send at least one."
        raise refuse_faulty([Fault(("readings",), "no-readings", what, mend)])
    return lines


def _of_json(content: bytes) -> Iterator[Line]:
    document = document_of(content)
    listed = document.value.get("readings") if isinstance(document.value, dict) else None
    by_line: dict[int, list[Fault]] = defaultdict(list)
    others: list[Fault] = []
    for fault in document.faults:
        match fault.where:
            case ("readings", int(i), *_):
                by_line[i].append(fault)
            case _:
                others.append(fault)
    whole = document.value | {"readings": [{}]} if isinstance(listed, list) else document.value
    _, found = fitted(whole, Batch, {})
    others += [f for f in found if f.where[:2] != ("readings", 0)]
    if others or document.ended_early or not isinstance(listed, list):
        raise refuse_faulty(others or document.faults)
    for i, entry in enumerate(listed):
        yield Line(i + 1, entry, by_line[i], ("readings", i))


def _of_ndjson(content: bytes) -> Iterator[Line]:
    for number, text in enumerate(content.splitlines(), 1):
        if text.strip():
            yield _json_line(number, text)


def _json_line(number: int, text: bytes) -> Line:
    try:
        document = strict_json.read(text)
    except strict_json.NotJsonError as error:
        return Line(number, None, [error.fault])
    return Line(number, document.value, document.faults)


def _of_csv(content: bytes) -> Iterator[Line]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        what = f"The byte at position {error.start} is not UTF-8."
        fault = Fault((), "not-utf-8", what, "Save or send the table as UTF-8.")
        raise RefusalError(MALFORMED, problem_of(MALFORMED, what, [fault])) from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [name.strip() for name in next(reader, [])]
        _check_header(header)
        for row in reader:
            if any(cell.strip() for cell in row):
                yield _row(reader.line_num, header, row)
    except csv.Error as error:
        what = f"The table cannot be read on at line {reader.line_num}: {error}."
        fault = Fault((), "malformed-table", what, "Quote cells after RFC 4180.")
        problem = problem_of(MALFORMED, what, [fault])
        line = problem.model_copy(update={"line": reader.line_num})
        raise RefusalError(MALFORMED, line) from error


def _check_header(header: list[str]) -> None:
    faults = [
        Fault(
            (strict_json.clean(name)[:40],),
            "unknown-column",
            f"The table has a column '{strict_json.clean(name)[:40]}', which is not known here.",
            f"Known columns: {', '.join(COLUMNS)}.",
        )
        for name in header
        if name not in COLUMNS
    ]
    faults += [
        Fault((name,), "repeated-column", f"The column '{name}' stands twice.", "Keep one of them.")
        for name in dict.fromkeys(header)
        if name in COLUMNS and header.count(name) > 1
    ]
    if not header:
        what, mend = "There is no line of column names.", f"Known columns: {', '.join(COLUMNS)}."
        faults.append(Fault((), "no-header", what, mend))
    if faults:
        raise refuse_faulty(faults)


def _row(number: int, header: list[str], row: list[str]) -> Line:
    if len(row) != len(header):
        what = f"The line has {len(row)} cells, the first line {len(header)}."
        mend = "Give every column its cell; a comma within a cell needs quotes around it."
        return Line(number, None, [Fault((), "wrong-number-of-cells", what, mend)])
    document: dict[str, Any] = {}
    faults: list[Fault] = []
    for name, cell in zip(header, row, strict=True):
        text = cell.strip()
        if len(text) > _LONGEST_CELL:
            what = f"The cell has more than {_LONGEST_CELL} characters."
            faults.append(Fault((name,), "cell-too-long", what, "Shorten it."))
        elif text:
            faults += _put(document, name, text)
    return Line(number, document, faults)


def _put(document: dict[str, Any], name: str, text: str) -> list[Fault]:
    """Put a cell into the object that its line stands for."""
    if name in _COMPOSITE:
        document.setdefault("composite", {})[_COMPOSITE[name]] = text
        return []
    limit = _LIMIT.fullmatch(text) if name == "value" else None
    if limit is not None:
        name, text = {"<": "below", ">": "above"}[limit[1]], limit[2]
    if name in _NUMBERS and text.lower() == "null":
        document[name] = None  # how a table withdraws a value
    elif name in _NUMBERS:
        return _put_number(document, name, text)
    elif name == "version":
        document[name] = int(text) if _DIGITS.fullmatch(text) else text
    elif name == "replicates":
        parts = text.replace(";", " ").split()
        faults = [f for part in parts for f in _put_number({}, name, part)]
        document[name] = [] if faults else [float(part) for part in parts]
        return faults[:1]
    else:
        document[name] = text
    return []


def _put_number(document: dict[str, Any], name: str, text: str) -> list[Fault]:
    if _NUMBER.fullmatch(text) is None:
        document[name] = 0.0
        what = "The cell does not hold a number."
        mend = "Write digits with a decimal point, without spaces or thousands marks."
        return [Fault((name,), "not-a-number", what, mend)]
    document[name] = float(text)
    return []
