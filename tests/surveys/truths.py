"""True amounts of everything in a flowsheet: shares at every node, solved at once."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reconcile import SIZES, SOLIDS, WATER, Flowsheet, Part

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """True amounts (streams, quantities), contents by (mineral, analyte), shared causes by name."""

    amounts: Array
    contents: dict[tuple[str, str], float] = field(default_factory=dict)
    causes: dict[str, float] = field(default_factory=dict)


def flows(
    sheet: Flowsheet, given: Array, share: Array, change: dict[str, Array] | None = None
) -> Array:
    """
    Give the flows (streams, species) of all species at once.

    ``given`` (streams, species) are those of feeds and unaccounted differences, NaN elsewhere;
    ``share`` (streams, species) of each other stream in what its source passes on; ``change`` says
    of a node by what matrix (species, species) it turns what enters into what it passes on.
    """
    change = change or {}
    count, kinds = given.shape
    system = np.eye(count * kinds).reshape(count, kinds, count, kinds)
    for i, stream in enumerate(sheet.streams):
        if stream.source is None or stream.signed:
            continue
        passed = share[i][:, None] * change.get(stream.source, np.eye(kinds))
        for j, other in enumerate(sheet.streams):
            if other.target == stream.source:
                system[i, :, j] -= passed
            if other.signed and other.source == stream.source:
                system[i, :, j] += np.diag(share[i])
    size = count * kinds
    right = np.nan_to_num(given).reshape(size)
    return np.linalg.solve(system.reshape(size, size), right).reshape(count, kinds)


def _positive_flows(
    sheet: Flowsheet, given: Array, share: Array, change: dict[str, Array]
) -> Array:
    """Give the flows, with unaccounted differences small enough to leave all others positive."""
    signed = np.array([s.signed for s in sheet.streams])
    found = flows(sheet, given, share, change)
    while np.min(found[~signed]) < 0:
        given = np.where(signed[:, None], 0.1 * given, given)
        found = flows(sheet, given, share, change)
    return found


def _shares(
    sheet: Flowsheet, kinds: int, held: NDArray[np.bool_], rng: np.random.Generator
) -> Array:
    """Draw the share of each species (streams, kinds) at each node; ``held`` what a stream can."""
    weight = np.exp(0.9 * rng.normal(size=(len(sheet.streams), kinds))) + 0.05
    weight *= np.where([[s.name == "dust"] for s in sheet.streams], 0.01, 1.0)
    weight = np.where(held, weight, 0.0)
    for node in sheet.nodes:
        outlets = [i for i, s in enumerate(sheet.streams) if s.source == node and not s.signed]
        weight[outlets] /= weight[outlets].sum(axis=0)
    return weight


def _grades(sheet: Flowsheet, rng: np.random.Generator) -> Array:
    """Draw the grades of one feed: components, then what is none of them."""
    count = len(sheet.components)
    if sheet.contents:
        mixed = rng.dirichlet(np.full(count + ("rest" not in sheet.components), 2.0))
        return np.append(mixed, np.zeros(count + 1 - len(mixed)))
    grades = 10.0 ** rng.uniform(-4.5, -0.4, count)
    grades *= min(1.0, 0.9 / max(float(grades.sum()), 1e-300))
    return np.append(grades, 1.0 - grades.sum())


def _grinding(classes: int, rng: np.random.Generator) -> Array:
    """Draw how the classes, coarse to fine, turn into finer ones: columns that sum to one."""
    matrix = np.zeros((classes, classes))
    for k in range(classes):
        matrix[k:, k] = rng.dirichlet(np.ones(classes - k))
    return matrix


def _changes(sheet: Flowsheet, classes: int, rng: np.random.Generator) -> dict[str, Array]:
    """Give what altering nodes do to (species, class) pairs."""
    kinds = len(sheet.components) + 1
    result = {}
    for node, altered in sheet.alters.items():
        species = np.eye(kinds)
        for c in altered & set(sheet.components):
            at = sheet.components.index(c)
            species[at, at] = rng.uniform(0.3, 0.9)
            species[-1, at] = 1 - species[at, at]
        sizes = _grinding(classes, rng) if SIZES in altered else np.eye(classes)
        result[node] = np.kron(species, sizes)
    return result


def _given(sheet: Flowsheet, classes: int, rng: np.random.Generator) -> Array:
    """Draw the (species, class) flows of feeds and of unaccounted differences."""
    kinds = len(sheet.components) + 1
    base = np.log(np.maximum(_grades(sheet, rng), 1e-300))
    sizes = rng.dirichlet(np.full(classes, 3.0), size=kinds)
    given = np.full((len(sheet.streams), kinds * classes), np.nan)
    for i, stream in enumerate(sheet.streams):
        if stream.source is not None and not stream.signed:
            continue
        grades = np.exp(base + 0.25 * rng.normal(size=kinds))
        species = grades / grades.sum()
        spread = sizes * np.exp(0.3 * rng.normal(size=sizes.shape))
        spread /= spread.sum(axis=1, keepdims=True)
        held = [sheet.holds(stream, c) for c in sheet.components]
        held.append(SOLIDS not in stream.without)
        flow = rng.uniform(20.0, 200.0) * (species * held)[:, None] * spread
        if stream.signed:
            flow *= 0.01 * rng.normal(size=flow.shape)
        given[i] = flow.ravel()
    return given


def _water_flows(sheet: Flowsheet, solids: Array, rng: np.random.Generator) -> Array:
    count = len(sheet.streams)
    held = np.array([sheet.holds(s, WATER) for s in sheet.streams])
    typical = float(np.median(solids[solids > 0]))
    given = np.full((count, 1), np.nan)
    for i, stream in enumerate(sheet.streams):
        if stream.source is None or stream.signed:
            base = 0.01 * typical * rng.normal() if stream.signed else solids[i]
            base = typical if SOLIDS in stream.without else base
            given[i] = base * rng.uniform(0.05, 2.0) * held[i]
    change = {
        node: np.array([[rng.uniform(0.4, 0.95)]])
        for node, altered in sheet.alters.items()
        if WATER in altered
    }
    share = _shares(sheet, 1, held[:, None], rng)
    return _positive_flows(sheet, given, share, change)[:, 0]


def random_truth(sheet: Flowsheet, rng: np.random.Generator) -> Array:
    """Draw true amounts (streams, quantities) that close at every node."""
    classes, kinds = max(len(sheet.classes), 1), len(sheet.components) + 1
    held = np.array(
        [
            [*(sheet.holds(s, c) for c in sheet.components), SOLIDS not in s.without]
            for s in sheet.streams
        ]
    )
    share = _shares(sheet, kinds * classes, np.repeat(held, classes, axis=1), rng)
    given, change = _given(sheet, classes, rng), _changes(sheet, classes, rng)
    found = _positive_flows(sheet, given, share, change)
    species = found.reshape(len(sheet.streams), kinds, classes)
    columns = {SOLIDS: species.sum(axis=(1, 2))}
    columns |= {c: species[:, i].sum(axis=1) for i, c in enumerate(sheet.components)}
    for k, size in enumerate(sheet.classes):
        columns[Part(SOLIDS, size)] = species[:, :, k].sum(axis=1)
        for c in sheet.sized:
            columns[Part(c, size)] = species[:, sheet.components.index(c), k]
    if sheet.water:
        columns[WATER] = _water_flows(sheet, columns[SOLIDS], rng)
    return np.column_stack([columns[q] for q in sheet.quantities])
