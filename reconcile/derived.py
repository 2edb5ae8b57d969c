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
    """
    ``above`` (k, n) over its row of ``below`` (l, n), chosen by ``partner`` (k,).

    ``below`` is ``None`` for a sum.
    """

    above: sp.csr_array
    below: sp.csr_array | None = None
    partner: Ints | None = None


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
    below = _pick(np.arange(model.streams) * model.kinds, model.size)
    return Functionals(_pick(solids + part, model.size), below, stream)


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
    return Functionals(
        sp.eye_array(model.size, format="csr"),
        sp.csr_array(sp.kron(belongs, sp.eye_array(model.kinds), format="csr")),
        _with_kinds(part, model.kinds),
    )


def of_inlet(model: Model) -> Functionals:
    """Each quantity of a stream that leaves a node over all that enters it, (inner streams · Q)."""
    source, _ = model.ends
    inner = np.flatnonzero(source >= 0)
    entering = sp.csr_array((model.incidence > 0).astype(float))
    eye = sp.eye_array(model.kinds)
    return Functionals(
        sp.csr_array(sp.kron(_pick(inner, model.streams), eye, format="csr")),
        sp.csr_array(sp.kron(entering, eye, format="csr")),
        _with_kinds(source[inner], model.kinds),
    )


def _with_kinds(position: Ints, kinds: int) -> Ints:
    """Spread positions of blocks over the quantities inside each block."""
    return (position[:, None] * kinds + np.arange(kinds)).ravel()


def evaluate(at: Linearisation, rows: Functionals) -> Derived:
    """Give value, sd and class of each functional at the solution."""
    x, tiny = at.solution.x, at.solution.throughput
    above = np.asarray(rows.above @ x)
    if rows.below is None or rows.partner is None:
        variance = at.variance(rows.above)
        defined = np.ones(len(above), dtype=bool)
        return Derived(above, _root(variance), at.observable(rows.above), defined)
    below = (rows.below @ x)[rows.partner]
    defined = below > np.finfo(float).eps * (rows.below @ tiny)[rows.partner]
    safe = np.where(defined, below, 1.0)
    value = above / safe
    spread = sp.csr_array(rows.above - scale_rows(sp.csr_array(rows.below[rows.partner]), value))
    gradient = scale_rows(spread, 1 / safe)
    if at.is_small or rows.below.nnz == rows.below.shape[0]:
        variance = at.variance(gradient)
    else:
        variance = at.ratio_variance(rows.above, rows.below, rows.partner, value) / safe**2
    return Derived(value, _root(variance), at.observable(gradient), np.asarray(defined))


def _root(variance: Floats) -> Floats:
    return np.sqrt(np.maximum(variance, 0.0))
