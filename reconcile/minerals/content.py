"""
How much of an analyte a mineral carries, by stoichiometry.

An assay is reported as some substance (Ti or TiO2, Fe or Fe2O3) whatever the mineral holds.  So a
content is what the mineral's atoms would weigh if written as that substance, and it may exceed what
the mineral contains as such.  Ilmenite, FeTiO3, holds 47.4 % of FeO; its iron reported as Fe2O3
makes 52.6 %, and with 52.6 % of TiO2 the oxides total 105.3 %.  Nothing is wrong with such a total:
it counts oxygen that the mineral does not have and takes up on ignition, and with the (negative)
loss on ignition it comes to 100 % again.  The other way round, a fluoride reported beside oxides
totals too high by the oxygen that the fluorine replaces.

Formulas are idealised.  Natural minerals deviate, some by much (weathered ilmenite, garnets,
monazite); there, a measured composition serves better.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from .formula import Formula, read_formula

LEAVES_ON_IGNITION = frozenset("HCNOS")
"""
Elements that may leave as gas in air at about 1000 °C: as water, carbon dioxide, oxides of
nitrogen and of sulphur, or as oxygen.  Halogens leave in part, with other elements or not at all,
so their loss does not follow from a formula.
"""

AGREEMENT = 1e-9
"""Relative difference of two amounts that a formula states exactly: rounding only."""


class UnclearAnalyte(ValueError):
    """The analytes do not say clearly which atoms they count."""


def content(analyte: str, mineral: str) -> float:
    """
    Give the content of ``analyte`` in ``mineral``, a mass fraction; it may exceed 1.

    All atoms of the analyte's key element (the one that is not oxygen; oxygen itself where there is
    no other) are counted as the analyte: ``content("Fe2O3", "FeTiO3")`` is 0.526.  A mineral
    without that element has the content 0.  ``"ZrO2+HfO2"`` is the sum of both.

    Raises ``UnreadableFormula``, and ``UnclearAnalyte`` where an analyte has two key elements that
    give different amounts, or two terms count the same element.
    """
    return oxide_total(mineral, (analyte,))


def oxide_total(mineral: str, analytes: Sequence[str]) -> float:
    """
    Give the sum of the contents of several analytes in one mineral, a mass fraction.

    It is 1 when the analytes are the mineral's own oxides, above 1 when they hold more oxygen
    (ilmenite with its iron as Fe2O3: 1.053), below 1 when they hold less or leave elements out.

    Raises as ``content``; each element may be counted by one analyte only.
    """
    terms = _terms(analytes)
    counted = Counter(key for term in terms for key in _key_elements(term))
    twice = [key for key, times in counted.items() if times > 1]
    if twice:
        names = ", ".join(term.text.strip() for term in terms)
        raise UnclearAnalyte(
            f"{', '.join(twice)} would be counted more than once by {names}: a formula does not "
            "say how an element is shared between them."
        )
    return sum(_content(term, read_formula(mineral)) for term in terms)


def ignition_loss(mineral: str, residue: Sequence[str]) -> float:
    """
    Give the theoretical loss on ignition of a mineral, a mass fraction; a gain is negative.

    ``residue`` lists the oxides that remain.  Ilmenite with residue TiO2 and Fe2O3 gains 0.053, for
    its ferrous iron takes up oxygen; goethite with residue Fe2O3 loses its water, 0.101; calcite
    with residue CaO loses 0.440.  This is complete oxidation and decomposition; a real ignition may
    stop short of it.

    Raises as ``oxide_total``, and ``UnclearAnalyte`` if an element is neither in the residue nor
    one that leaves as gas, or if the mineral holds a halogen.
    """
    left_behind = {key for term in _terms(residue) for key in _key_elements(term)}
    halogens = left_behind & {"F", "Cl", "Br", "I"}
    lost = read_formula(mineral).atoms.keys() - left_behind
    unclear = sorted(halogens | (lost - LEAVES_ON_IGNITION))
    if unclear:
        raise UnclearAnalyte(
            f"What becomes of {', '.join(unclear)} when {mineral} is ignited does not follow from "
            "its formula; name the oxides that remain, or give the loss as a content."
        )
    return 1.0 - oxide_total(mineral, residue)


def _terms(analytes: Sequence[str]) -> list[Formula]:
    """Read analytes, each of them one substance or several joined by plus signs."""
    return [read_formula(term) for analyte in analytes for term in analyte.split("+")]


def _key_elements(analyte: Formula) -> tuple[str, ...]:
    """Give the elements by which an analyte is counted."""
    return tuple(symbol for symbol in analyte.atoms if symbol != "O") or ("O",)


def _content(analyte: Formula, mineral: Formula) -> float:
    """Give the content of one analyte, a mass fraction."""
    keys = _key_elements(analyte)
    amounts = [mineral.atoms.get(key, 0.0) / analyte.atoms[key] for key in keys]
    if max(amounts) - min(amounts) > AGREEMENT * max(amounts):
        raise UnclearAnalyte(
            f"How much {analyte.text} there is in {mineral.text} depends on which of "
            f"{', '.join(keys)} is counted; give the analyte as one of these or as its oxide."
        )
    return amounts[0] * analyte.molar_mass / mineral.molar_mass
