"""
The layout of a test sheet that is filled in by hand: its sheets and their columns.

Both ways go by it: what is written out, and what is read back.  Each column stands for one member
of the JSON sheet; whatever has no column of its own stands in the last one, as JSON.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from service.kit.units import ASSAY_UNITS, MASS_UNITS
from service.tests.schemas import KINDS, TestSheet

FORM = "Evenlode test sheet, layout 1"
"""Stands on the first sheet; a later layout has another number."""

Kind = Literal["text", "number", "yes or no", "weight", "tare", "setting", "json"]
"""How the entry of a column is read: a weight may be a list or have its own sd."""


@dataclass(frozen=True, slots=True)
class Column:
    """
    One column, or one line of the sheet 'Test'.

    ``path`` leads to its member in the object that a row stands for; it is empty where the reader
    needs the entry to find that object.  ``unit`` is that of a setting written without one.
    """

    heading: str
    path: tuple[str, ...]
    note: str
    kind: Kind = "text"
    choices: tuple[str, ...] = ()
    unit: str = ""
    width: int = 12


@dataclass(frozen=True, slots=True)
class Table:
    """A sheet of rows below headings; ``lead`` are headings by which the row of them is known."""

    name: str
    what: str
    columns: tuple[Column, ...]
    lead: tuple[str, ...]

    def column(self, heading: str) -> Column | None:
        """Give a column by its heading, whatever its capitals and spaces."""
        plain = plainly(heading)
        return next((c for c in self.columns if plainly(c.heading) == plain), None)


def plainly(heading: str) -> str:
    """Give a heading without what people change unseen: capitals, spaces at ends and doubled."""
    return " ".join(heading.split()).casefold()


FURTHER = "further"
_FURTHER_NOTE = "Whatever has no column here, as JSON: {{{example}}}. Most sheets leave it blank."


def _further(example: str, *path: str) -> Column:
    return Column(FURTHER, path, _FURTHER_NOTE.format(example=example), "json", width=18)


_WITH_COLUMNS = frozenset(
    {
        *("title", "note", "sample", "mass_unit", "components", "analytes"),
        *("errors", "tares", "head", "heads", "passes"),
    }
)
"""Members of a sheet that have columns or lines of their own; all others are lines of JSON."""

TEST = Table(
    "Test",
    "What the report says of the test as a whole, and how well things were weighed.",
    (
        Column("title", ("title",), "What the test is called."),
        Column("note", ("note",), "A note to the test."),
        Column("client", ("sample", "client"), "Whose sample it is."),
        Column("received", ("sample", "received"), "When it came."),
        Column("tested", ("sample", "tested"), "When it was tested."),
        Column("by", ("sample", "by"), "Who tested it."),
        Column("sample note", ("sample", "note"), "Anything else about the sample."),
        Column("mass unit", ("mass_unit",), "Unit of all weights.", choices=MASS_UNITS),
        Column(
            "sd of a weighing",
            ("errors", "weighing", "sd"),
            "Standard deviation of one weighing, in the mass unit; gross and tare are one each.",
            "number",
        ),
        Column(
            "relative sd of a weighing",
            ("errors", "weighing", "relative_sd"),
            "The part that grows with the weight, as a fraction: 0.0005 is 0.05 %.",
            "number",
        ),
        Column(
            "step of a weighing",
            ("errors", "weighing", "step"),
            "Step to which weights were written down: 0.1 for one decimal.",
            "number",
        ),
        Column(
            f"{FURTHER} of a weighing",
            ("errors", "weighing"),
            _FURTHER_NOTE.format(example='"causes": ["balance"]'),
            "json",
        ),
        Column(
            f"{FURTHER} errors",
            ("errors",),
            _FURTHER_NOTE.format(example='"splitting": {"relative_sd": 0.01}'),
            "json",
        ),
        *(
            Column(member.replace("_", " "), (member,), f"{field.description} As JSON.", "json")
            for member, field in TestSheet.model_fields.items()
            if member not in _WITH_COLUMNS
        ),
    ),
    ("what", "entry"),
)
"""One line an entry, not one column: the headings are 'what', 'entry' and 'meaning'."""

ASSAYS = Table(
    "Assays",
    "What is assayed, and how well. One row each; an element that stands only in a heading of "
    "'Trays' needs no row here, but then each of its results needs an sd of its own.",
    (
        Column("name", ("name",), "Element, oxide or mineral, as in the headings of 'Trays'."),
        Column("unit", ("unit",), "Unit of its assays; blank is %.", choices=ASSAY_UNITS),
        Column(
            "is",
            (),
            "'component' is followed through the test; 'analyte' is what the laboratory reports "
            "where the components are minerals. Blank is component.",
            choices=("component", "analyte"),
        ),
        Column(
            "sd",
            ("errors", "sd"),
            "Standard deviation of one determination, in the unit: the part that stays.",
            "number",
        ),
        Column(
            "relative sd",
            ("errors", "relative_sd"),
            "The part that grows with the value, as a fraction: 0.012 is 1.2 %.",
            "number",
        ),
        Column("formula", ("formula",), "Formula of a mineral, or what an analyte is reported as."),
        Column(
            "theoretical",
            ("theoretical",),
            "Content in the pure mineral that carries it, in the unit.",
            "number",
        ),
        Column(
            "detection limit",
            ("detection_limit",),
            "Needed where a result is 'n.d.' or 'trace', in the unit.",
            "number",
        ),
        _further('"density": {"value": 4.7, "unit": "g/cm3"}'),
        Column(
            "further errors",
            ("errors",),
            _FURTHER_NOTE.format(example='"error_model": "XRF of majors"'),
            "json",
            width=18,
        ),
    ),
    ("name", "unit"),
)

TARES = Table(
    "Tares",
    "Only where one tare was weighed once for several trays. Name it under 'tare' in 'Trays'.",
    (
        Column("name", ("name",), "Name of the kind of tray.", width=20),
        Column("weighed", ("weighed",), "What the empty tray weighed.", "weight"),
        Column("spread", ("spread",), "Standard deviation from tray to tray.", "number"),
    ),
    ("name", "weighed"),
)


def _setting(heading: str, member: str, unit: str, note: str) -> Column:
    told = f"{note} In {unit} unless another unit stands behind the number."
    return Column(f"{heading}, {unit}", ("settings", member), told, "setting", unit=unit)


PASSES = Table(
    "Passes",
    "What was done, one row a pass, in the order in which it was run.",
    (
        Column(
            "pass", ("name",), "Name of the pass; blank goes by its number: 'pass 2'.", width=16
        ),
        Column("kind", ("kind",), "What was done.", choices=KINDS, width=14),
        Column(
            "fed",
            ("fed",),
            "Name of the head, or of a tray of an earlier pass. Trays that were combined: all "
            "names, with ';' between them.",
            width=24,
        ),
        Column(
            "part fed",
            (),
            "Blank where the whole was fed. Else the net weight of the part that was; 'rest' for "
            "all that was left; 'part' for a part that was not weighed. Several like the names, "
            "with ';' between them.",
        ),
        _setting("field", "field", "T", "Magnetic flux density where the grains pass."),
        _setting("coil current", "coil_current", "A", "Current of the coils."),
        _setting("voltage", "voltage", "kV", "Voltage of the electrodes."),
        _setting("gap", "gap", "mm", "Gap between pole, disc or roll and the belt."),
        _setting("aperture", "aperture", "mm", "Aperture of the screen, or size of the cut."),
        _setting("belt speed", "belt_speed", "m/s", "Speed of the belt."),
        _setting("turning speed", "turning_speed", "rpm", "Speed of the roll or drum."),
        _setting("splitter", "splitter", "deg", "Angle of the splitter."),
        _setting("feed rate", "feed_rate", "kg/h", "Feed rate."),
        _setting("liquid density", "liquid_density", "g/cm3", "Density of the heavy liquid."),
        Column(
            "settings note", ("settings", "note"), "Anything else about the settings.", width=24
        ),
        Column("note", ("note",), "Anything else about the pass.", width=24),
        _further('"feed": {"net": 431.2}'),
    ),
    ("pass", "kind", "fed"),
)

WHATS = ("product", "head", "feed", "kept")
"""What a row of trays can be."""

TRAYS = Table(
    "Trays",
    "What was weighed and assayed, one row a tray; heads come first. Put a column behind 'note' "
    "for each assay, headed by name and unit, such as 'Sn, %' or 'ThO2, ppm'.",
    (
        Column(
            "pass",
            (),
            "The pass that the tray came from, as in 'Passes'; blank for a head.",
            width=16,
        ),
        Column("tray", ("name",), "What is written on the tray, unlike any other's.", width=18),
        Column(
            "what",
            (),
            "Blank is product. 'head' is a head sample; 'feed' what was weighed of all that a pass "
            "was fed; 'kept' what was kept of the head or tray named, where parts of it were fed.",
            choices=WHATS,
            width=10,
        ),
        Column("net", ("net",), "Net weight; repeated weighings with ';' between them.", "weight"),
        Column("gross", ("gross",), "Or the weight with the tray.", "weight"),
        Column(
            "tare",
            ("tare",),
            "With a gross weight: that of the empty tray, or a name of the sheet 'Tares'.",
            "tare",
        ),
        Column(
            "magnetic",
            ("magnetic",),
            "Whether it is what the magnet took.",
            "yes or no",
            ("yes", "no"),
        ),
        Column(
            "loss expected",
            ("loss", "expected"),
            "Instead of a weight, for what nobody could collect: the loss to expect.",
            "number",
        ),
        Column("loss sd", ("loss", "sd"), "Its standard deviation.", "number"),
        Column("note", ("note",), "Anything else about the tray.", width=24),
        _further('"kept": {"net": 210.4}'),
    ),
    ("pass", "tray"),
)

TABLES: tuple[Table, ...] = (TEST, ASSAYS, TARES, PASSES, TRAYS)
NEEDED = (PASSES.name, TRAYS.name)

RESULT_NOTE = (
    "A number in the unit of the heading. '<0.05' and '>60' are limits, 'n.d.' not detected, "
    "'trace' a trace; '38.1; 38.3' are replicates; '0.19 ± 0.03' has its own standard deviation. "
    "Blank is not assayed."
)


def assay_heading(name: str, unit: str) -> str:
    """Give the heading of a column of assays."""
    return f"{name}, {unit}"


def parsed_heading(heading: str, units: Sequence[str] = ASSAY_UNITS) -> tuple[str, str] | None:
    """Give name and unit of a heading such as 'Sn, %', 'Sn (%)' or 'Sn %'; None without a unit."""
    text = heading.strip()
    for unit in sorted(units, key=len, reverse=True):
        close = (unit,) if unit == "%" else ()
        for end in (
            f", {unit}",
            f",{unit}",
            f" ({unit})",
            f"({unit})",
            f" [{unit}]",
            f" {unit}",
            *close,
        ):
            if text.endswith(end) and text[: -len(end)].strip():
                return text[: -len(end)].strip(), unit
    return None
