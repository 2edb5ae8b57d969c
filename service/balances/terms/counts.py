"""Grain counts as readings: a multinomial count is a chain of independent binomial ones."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from reconcile import Reading, measurands
from reconcile.faults import Where
from service.balances.schemas import ComponentObject, CountsObject

from .ledger import Ledger, doubles
from .places import Place
from .sheet import Sheet, density

PRIOR = 0.5
"""Half a grain is added on either side where a variance is evaluated, so that a count of none has
one too (Agresti 2002, Categorical Data Analysis, quoted from memory)."""


@dataclass(frozen=True, slots=True)
class Counted:
    """
    Counted minerals, the most frequent first, with counts and grain densities in kg/m3.

    ``shares`` and ``sds`` are the mass fractions among the counted minerals that the counts alone
    give.
    """

    minerals: tuple[str, ...]
    counts: tuple[int, ...]
    densities: tuple[float, ...]
    density_sds: tuple[float, ...]
    basis: str

    @property
    def grains(self) -> int:
        """Grains counted in all."""
        return sum(self.counts)

    def shares(self) -> tuple[tuple[float, float], ...]:
        """
        Give the mass fraction of each mineral among those counted, with its sd.

        Multinomial variance through the ratio of masses (delta method), each probability
        evaluated with half a grain more.
        """
        n, k = self.grains, len(self.counts)
        p = (np.array(self.counts) + PRIOR) / (n + PRIOR * k)
        rho = np.array(self.densities)
        raw = np.array(self.counts) / n * rho
        w = p * rho / (p @ rho)
        gradient = (np.diag(rho) - np.outer(w, rho)) / (p @ rho)
        variance = (gradient**2 @ p - (gradient @ p) ** 2) / n
        return tuple(zip((raw / raw.sum()).tolist(), np.sqrt(variance).tolist(), strict=True))


def counted_of(counts: CountsObject, sheet: Sheet, where: Where, ledger: Ledger) -> Counted | None:
    """Give what was counted, or none with a fault."""
    place = (*where, "counts", "grains")
    components = {c.name: c for c in sheet.wire.components}
    fine = [
        _is_usable(grain.of, components, (*place, j, "of"), ledger)
        for j, grain in enumerate(counts.grains)
    ]
    for j in doubles([grain.of for grain in counts.grains]):
        ledger.note(
            (*place, j, "of"),
            "duplicate-component",
            f"The grains of '{counts.grains[j].of}' are counted twice.",
            "Give one count for each mineral.",
        )
        fine.append(False)
    if ledger.note_if(
        len(counts.grains) < 2 or not any(g.count for g in counts.grains),  # noqa: PLR2004 - a share needs two
        place,
        "nothing-counted",
        "A count needs at least two minerals and one grain.",
        "List every mineral that was looked for, those not found with a count of zero.",
    ) or not all(fine):
        return None
    falling = sorted(counts.grains, key=lambda grain: -grain.count)
    found = [components[grain.of].density for grain in falling]
    return Counted(
        tuple(grain.of for grain in falling),
        tuple(grain.count for grain in falling),
        tuple(density(d) for d in found if d is not None),
        tuple(density(d) * d.sd / d.value for d in found if d is not None),
        counts.basis,
    )


def _is_usable(
    name: str, components: dict[str, ComponentObject], where: Where, ledger: Ledger
) -> bool:
    if not ledger.known(where, "component", name, components):
        return False
    return not ledger.note_if(
        components[name].density is None,
        where,
        "missing-density",
        f"The density of '{name}' is needed to turn its grains into masses.",
        "Give the component its 'density'.",
    )


def readings_of(counted: Counted, place: Place) -> Iterator[Reading]:
    """
    Give the counts as readings.

    The share of each mineral in itself and the rarer ones: these continuation ratios factorise the
    multinomial likelihood exactly (Agresti 2002, quoted from memory).  Each has the variance of a
    binomial.  Errors of the grain densities are shared by all of them.
    """
    density = dict(zip(counted.minerals, counted.densities, strict=True))
    for k, mineral in enumerate(counted.minerals[:-1]):
        rest = sum(counted.counts[k:])
        if rest == 0:
            return
        q = (counted.counts[k] + PRIOR) / (rest + 2 * PRIOR)
        yield Reading(
            place.names,
            measurands.share_by_volume((mineral,), counted.minerals[k:], density),
            counted.counts[k] / rest,
            math.sqrt(q * (1 - q) / rest),
            causes=tuple(_density_errors(counted, k, q)),
        )


def _density_errors(counted: Counted, k: int, q: float) -> Iterator[tuple[str, float]]:
    """
    Give what one sd of each grain density does to a share by volume, masses being fixed.

    With shares v of the volume: -q (1 - q) / density for the mineral itself, +q v / density for
    another.
    """
    rest = sum(counted.counts[k:])
    for j in range(k, len(counted.minerals)):
        if counted.density_sds[j] > 0:
            relative = counted.density_sds[j] / counted.densities[j]
            share = counted.counts[j] / rest
            size = -q * (1 - q) * relative if j == k else q * share * relative
            yield f"density of {counted.minerals[j]}", size
