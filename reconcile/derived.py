"""
Quantities that follow from the balance, each a ratio of two linear functionals.

Mass, component mass, assay, yield, recovery and split differ only in their rows; value, class and
standard deviation (delta method, JCGM 100:2008, 5.1.2) are worked out once for all of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .kernel.rows import scale_rows

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints
    from .linearisation import Linearisation
    from .model import Model


@dataclass(frozen=True)
class Functionals:
    """``above`` and ``below`` (k, n): the ratio's two rows; ``below`` is ``None`` for a sum."""

    above: sp.csr_array
    below: sp.csr_array | None = None


@dataclass(frozen=True)
class Derived:
    """``value``, ``sd``, ``known`` and ``defined``, each (k,)."""

    value: Floats
    sd: Floats
    known: Bools
    defined: Bools


def _pick(columns: Ints, size: int) -> sp.csr_array:
    k = len(columns)
    return sp.csr_array((np.ones(k), columns, np.arange(k + 1)), shape=(k, size))


def amounts(model: Model) -> Functionals:
    """Every extensive quantity itself, (streams · Q)."""
    return Functionals(sp.eye_array(model.size, format="csr"))


def assays(model: Model) -> Functionals:
    """Each component over the solids of its stream, (streams · C)."""
    stream = np.repeat(np.arange(model.streams), model.kinds - 1)
    part = np.tile(np.arange(1, model.kinds), model.streams)
    solids = stream * model.kinds
    return Functionals(_pick(solids + part, model.size), _pick(solids, model.size))


def of_feed(model: Model) -> Functionals:
    """
    Each extensive quantity over the feed of it into its part of the flowsheet, (streams · Q).

    The yield for the solids, the recovery for a component.
    """
    source, _ = model.ends
    feeds = np.flatnonzero(source < 0)
    part = model.part_of
    belongs = sp.csr_array(
        (np.ones(len(feeds)), (part[feeds], feeds)), shape=(part.max() + 1, model.streams)
    )
    rows = sp.csr_array(belongs[part])
    return Functionals(
        sp.eye_array(model.size, format="csr"),
        sp.csr_array(sp.kron(rows, sp.eye_array(model.kinds), format="csr")),
    )


def of_inlet(model: Model) -> Functionals:
    """Each quantity of a stream that leaves a node over all that enters it, (inner streams · Q)."""
    source, _ = model.ends
    inner = np.flatnonzero(source >= 0)
    entering = sp.csr_array((model.incidence > 0).astype(float))[source[inner]]
    eye = sp.eye_array(model.kinds)
    return Functionals(
        sp.csr_array(sp.kron(_pick(inner, model.streams), eye, format="csr")),
        sp.csr_array(sp.kron(entering, eye, format="csr")),
    )


def evaluate(at: Linearisation, rows: Functionals) -> Derived:
    """Give value, sd and class of each functional at the solution."""
    x, tiny = at.solution.x, at.solution.throughput
    above = rows.above @ x
    if rows.below is None:
        gradient, value = rows.above, above
        defined = np.ones(len(above), dtype=bool)
    else:
        below = rows.below @ x
        defined = below > np.finfo(float).eps * (rows.below @ tiny)
        safe = np.where(defined, below, 1.0)
        value = above / safe
        gradient = scale_rows(
            sp.csr_array(rows.above - scale_rows(rows.below, value)), 1 / safe
        )
    known = at.observable(gradient)
    sd = np.sqrt(np.maximum(at.variance(gradient), 0.0))
    return Derived(np.asarray(value), sd, known, np.asarray(defined))
