"""
Invented surveys with everything that a sampled circuit contains: truth first, readings afterwards.

A survey is grown from a seed: a random flowsheet, then a random mix of water, size classes and
mills, minerals and their analytes, stocks over two shifts, losses, unaccounted differences, shared
errors, limits and orders.  The true amounts follow from shares at every node, solved at once, so
that they close to rounding.  Readings are the truth plus the shared errors plus ``sd`` times a
standard normal draw, with every size of error taken from the truth.  True values of readings are
worked out here from the amounts, not by the engine's vocabulary.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reconcile import Content, Flowsheet, Options, Order, Reading, Robust
from tests.surveys.readings import read
from tests.surveys.sheets import features_of, random_sheet
from tests.surveys.truths import Array, Truth, random_truth

__all__ = ["Survey", "Truth", "survey"]


@dataclass(frozen=True)
class Survey:
    """A flowsheet, its truth, readings of it, how they are to be reconciled, and what it has."""

    flowsheet: Flowsheet
    truth: Truth
    readings: tuple[Reading, ...]
    options: Options
    features: frozenset[str]


def _known_contents(
    sheet: Flowsheet, rng: np.random.Generator, noise: float
) -> tuple[Flowsheet, dict[tuple[str, str], float]]:
    """Draw what is known of uncertain contents; the truth goes apart."""
    truth = {(m, a): c.value for m, known in sheet.contents.items() for a, c in known.items()}
    known = {
        m: {
            a: Content(float(c.value + noise * c.sd * rng.normal()), c.sd)
            for a, c in contents.items()
        }
        for m, contents in sheet.contents.items()
    }
    return replace(sheet, contents=known), truth


def _ordered(sheet: Flowsheet, amounts: Array, rng: np.random.Generator) -> Flowsheet:
    """Vouch for a relation of grades that is true, and close."""
    orders = []
    for c in sheet.components:
        q = sheet.quantity_index[c]
        names = [s.name for s in sheet.streams if not s.signed and sheet.holds(s, c)]
        grade = {
            n: amounts[sheet.stream_index[n], q] / amounts[sheet.stream_index[n], 0] for n in names
        }
        ranked = sorted(names, key=lambda n: -grade[n])
        if c != "rest" and len(ranked) > 1:
            at = int(rng.integers(len(ranked) - 1))
            orders.append(Order(c, ranked[at], ranked[at + 1]))
    return replace(sheet, orders=tuple(orders[:2]))


def survey(
    seed: int,
    *,
    features: frozenset[str] | None = None,
    streams: int | None = None,
    noise: float = 1.0,
) -> Survey:
    """Grow a survey; the seed decides everything that is not given, errors come times ``noise``."""
    rng = np.random.default_rng([seed, 31])
    drawn = features_of(rng)
    features = drawn if features is None else features
    most = 5 if "shifts" in features else 11
    streams = int(rng.integers(2, most)) if streams is None else streams
    sheet = random_sheet(rng, features, streams)
    amounts = random_truth(sheet, rng)
    if "orders" in features:
        sheet = _ordered(sheet, amounts, rng)
    readings, causes = read(sheet, amounts, features, rng, noise)
    sheet, contents = _known_contents(sheet, rng, noise)
    robust = Robust.NONE
    if "robust" in features:
        robust = Robust.HUBER if rng.random() < 0.6 else Robust.BISQUARE
    named = {name for r in readings for name, _ in r.causes}
    truth = Truth(amounts, contents, {n: v for n, v in causes.items() if n in named})
    return Survey(sheet, truth, readings, Options(robust=robust), features)
