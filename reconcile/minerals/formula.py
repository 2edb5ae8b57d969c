"""
Chemical formulas as engineers write them, read into counts of atoms.

Grammar and atomic weights (IUPAC standard values) are those of the periodictable library.  What it
does not say, or reads in another sense, is settled before: dots and brackets, which mean hydrates
and groups here, and what would leave a composition open.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from types import MappingProxyType

import periodictable
from pyparsing import ParseException

LONGEST = 200
"""Characters of the longest formula read; the longest of any known mineral has fewer."""

LARGEST_COUNT = 1e6
"""Atoms of one element in a formula; beyond it stands a slip of the pen, not a mineral."""

DEEPEST = 10
"""Brackets within brackets; the grammar calls itself once or more for each."""

_SIGNS = str.maketrans("[]*•⋅∙₀₁₂₃₄₅₆₇₈₉", "()····0123456789")
_ELEMENTS = frozenset(element.symbol for element in periodictable.elements)
_HYDRATE = re.compile(r"\d+(?:\.\d+)?H2O(?![A-Za-z0-9(])")
_STARTS_A_PART = re.compile(r"(?:^|·)\d+$")
_COUNT_THAT_MAY_END_A_PART = re.compile(r"(?:O|\))(?:[2-9]|[1-9]\d+)$")
_COUNT_THEN_MORE = re.compile(r"\d+[A-Z(]")


class UnreadableFormula(ValueError):
    """The text is no formula of one definite composition; the message says why and how to mend."""

    def __init__(self, text: str, why: str) -> None:
        self.text = text
        self.why = why
        super().__init__(f"'{text[:LONGEST]}' cannot be read as a formula: {why}")


@dataclass(frozen=True, slots=True)
class Formula:
    """
    A definite composition.

    ``atoms`` counts each element by its symbol, all above zero; ``molar_mass`` is in g/mol.
    """

    text: str
    atoms: Mapping[str, float]
    molar_mass: float


@lru_cache(maxsize=1024)
def read_formula(text: str) -> Formula:
    """
    Read a formula such as ``FeTiO3``, ``Ca5(PO4)3F``, ``Fe0.9Ti1.1O3`` or ``CaSO4.2H2O``.

    Parts are separated by a middle dot, an asterisk or a full stop, and may begin with a count.  A
    full stop between digits is a decimal point, unless water follows; where it could be either the
    formula is refused.

    Raises ``UnreadableFormula``.
    """
    _refuse_open(text)
    plain = _with_middle_dots(text, "".join(text.split()).translate(_SIGNS))
    _refuse_other_signs(text, plain)
    try:
        read = periodictable.formula(plain.replace("·", "+"))
    except (ParseException, ValueError) as fault:
        why = "its brackets, counts and symbols do not fit together."
        raise UnreadableFormula(text, why) from fault
    atoms = {str(atom): float(count) for atom, count in read.atoms.items()}
    if not all(0 < count <= LARGEST_COUNT for count in atoms.values()):
        raise UnreadableFormula(text, f"each count must lie above 0 and below {LARGEST_COUNT:g}.")
    return Formula(text, MappingProxyType(atoms), float(read.mass))


def _refuse_open(text: str) -> None:
    """Refuse what leaves the composition open, before anything else is said about it."""
    if not text.strip():
        raise UnreadableFormula(text, "it is empty.")
    if len(text) > LONGEST:
        raise UnreadableFormula(text, f"it is longer than {LONGEST} characters.")
    if "," in text:
        why = (
            "elements listed with a comma share a place in unknown proportions; write counts, "
            "such as (Fe0.6Mg0.4), or give the composition."
        )
        raise UnreadableFormula(text, why)


def _with_middle_dots(text: str, plain: str) -> str:
    """Put a middle dot for each full stop that separates parts; the others are decimal points."""
    done = ""
    for at, sign in enumerate(plain):
        done += _meaning_of_stop(text, done, plain[at + 1 :]) if sign == "." else sign
    return done


def _meaning_of_stop(text: str, before: str, after: str) -> str:
    """Say what a full stop means from what stands around it."""
    if _STARTS_A_PART.search(before):
        return "."
    if _HYDRATE.match(after) or not after[:1].isdigit():
        return "·"
    if _COUNT_THAT_MAY_END_A_PART.search(before) and _COUNT_THEN_MORE.match(after):
        why = (
            "a full stop there may be a decimal point or begin another part; write a middle dot "
            "between parts, or put the element with the decimal count last."
        )
        raise UnreadableFormula(text, why)
    if before[-1:].isdigit():
        return "."
    if before.endswith("O"):
        return "·"
    raise UnreadableFormula(text, "a decimal count needs a digit before its point, as in Fe0.9.")


def _refuse_other_signs(text: str, plain: str) -> None:
    """Refuse signs with no meaning here, empty parts, unknown elements and open brackets."""
    other = sorted(set(re.findall(r"[^A-Za-z0-9.()·]", plain)))
    if other:
        why = (
            f"{' '.join(other)} has no meaning in it; each count must be a plain number, and "
            "charges are left out."
        )
        raise UnreadableFormula(text, why)
    if not all(plain.split("·")):
        raise UnreadableFormula(text, "a dot has nothing on one side.")
    unknown = _unknown_symbols(plain)
    if unknown:
        why = (
            f"{', '.join(unknown)} is no element; write symbols as in FeTiO3 and counts as numbers."
        )
        raise UnreadableFormula(text, why)
    _refuse_brackets(text, plain)


def _refuse_brackets(text: str, plain: str) -> None:
    depths = list(accumulate((sign == "(") - (sign == ")") for sign in plain))
    if depths[-1] != 0 or min(depths) < 0:
        raise UnreadableFormula(text, "a bracket is left open or closed twice.")
    if max(depths) > DEEPEST:
        raise UnreadableFormula(text, f"its brackets stand more than {DEEPEST} deep.")


def _unknown_symbols(plain: str) -> list[str]:
    """List what is written where a symbol should be; D and T are isotopes, which no assay means."""
    written = dict.fromkeys(re.findall(r"[A-Z][a-z]*|[a-z]+", plain))
    return [symbol for symbol in written if symbol not in _ELEMENTS]
