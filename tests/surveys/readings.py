"""
What is read of a true state, each kind of reading in turn.

True values are worked out here from the amounts, not by the engine's vocabulary.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from reconcile import SOLIDS, WATER, Flowsheet, Limit, Measurand, Part, Reading, measurands
from tests.surveys.notebook import Notebook

Array = NDArray[np.float64]

WATER_DENSITY = 1.0
"""In t/m³, for pulp densities."""


def _holding(book: Notebook, quantity: str = SOLIDS) -> list[str]:
    """Give the ordinary streams that hold something."""
    return [s.name for s in book.sheet.streams if not s.signed and book.sheet.holds(s, quantity)]


def _masses(book: Notebook) -> None:
    """Dry, or wet where water is followed."""
    if "unweighed" in book.features:
        return
    for s in _holding(book):
        solids, error = book.of((s,), SOLIDS), book.rng.uniform(0.003, 0.03)
        if not book.wanted():
            continue
        if book.sheet.water and book.rng.random() < 0.5:
            wet = solids + book.of((s,), WATER)
            book.take((s,), measurands.wet_mass(), wet, error * wet, kind="weigher", share=False)
        else:
            book.take((s,), SOLIDS, solids, error * solids, kind="weigher", share=False)


def _pulp_density(book: Notebook, s: str) -> None:
    density = float(book.rng.uniform(2.5, 4.5))
    solids, water = book.of((s,), SOLIDS), book.of((s,), WATER)
    truth = (solids + water) / (solids / density + water / WATER_DENSITY)
    of = measurands.pulp_density(density, WATER_DENSITY)
    book.take((s,), of, truth, 0.004 * truth, kind="density", share=False)


def _waters(book: Notebook) -> None:
    """Water itself, moistures, percent solids, pulp densities."""
    for s in _holding(book, WATER):
        water = book.of((s,), WATER)
        if SOLIDS in book.sheet.streams[book.sheet.stream_index[s]].without:
            if book.wanted() and "unweighed" not in book.features:
                book.take((s,), WATER, water, 0.03 * water, kind="flow meter", share=False)
            continue
        if not book.wanted():
            continue
        pulp = book.of((s,), SOLIDS) + water
        how = book.rng.random()
        if how < 0.4:
            book.take((s,), measurands.moisture(), water / pulp, 0.004, kind="moisture")
        elif how < 0.7:
            book.take(
                (s,), measurands.solids_content(), 1 - water / pulp, 0.006, kind="solids content"
            )
        else:
            _pulp_density(book, s)


def _one_assay(book: Notebook, streams: tuple[str, ...], component: str) -> None:
    """One assay, as received now and then, or below a detection limit."""
    solids, part = book.of(streams, SOLIDS), book.of(streams, component)
    error = book.rng.uniform(0.01, 0.06)
    if book.sheet.water and book.rng.random() < 0.2:
        truth = part / (solids + book.of(streams, WATER))
        of: str | Measurand = measurands.assay(component, as_received=True)
    else:
        truth, of = part / solids, component
    book.take(streams, of, truth, max(error * truth, 1e-5), kind=f"assay of {component}")


def _assays(book: Notebook) -> None:
    for c in book.sheet.components:
        for s in _holding(book, c):
            if c != "rest" and book.wanted():
                _one_assay(book, (s,), c)


def _sieved(book: Notebook) -> None:
    """Size fractions and assays by class, some classes merged, some missing."""
    classes = book.sheet.classes
    for s in _holding(book):
        if not classes or not book.wanted():
            continue
        cut = int(book.rng.integers(1, len(classes)))
        groups = [[c] for c in classes] if book.rng.random() < 0.7 else [classes[:cut]]
        for group in groups:
            inside = sum(book.of((s,), Part(SOLIDS, c)) for c in group)
            truth = inside / book.of((s,), SOLIDS)
            of = measurands.size_fraction(group)
            sd = max(0.03 * truth, 0.002)
            book.take((s,), of, truth, sd, kind="sieve")
        _class_assays(book, s)


def _class_assays(book: Notebook, s: str) -> None:
    classes = book.sheet.classes
    for c in book.sheet.sized:
        cut = int(book.rng.integers(0, len(classes)))
        merged = [classes[cut:]] if book.rng.random() < 0.4 else []
        single = [[k] for k in (classes[:cut] if merged else classes)]
        for group in (*single, *merged):
            below = sum(book.of((s,), Part(SOLIDS, k)) for k in group)
            if below <= 0 or not book.wanted():
                continue
            truth = sum(book.of((s,), Part(c, k)) for k in group) / below
            of = measurands.assay(c, group)
            error = max(0.04 * truth, 1e-5)
            book.take((s,), of, truth, error, kind=f"class assay of {c}")


def _oxides(book: Notebook) -> None:
    """Analytes that several minerals carry, and grain counts of the minerals."""
    sheet = book.sheet
    for a in sheet.analytes:
        for s in _holding(book):
            if not book.wanted():
                continue
            carried = sum(
                contents[a].value * book.of((s,), m)
                for m, contents in sheet.contents.items()
                if a in contents
            )
            truth = carried / book.of((s,), SOLIDS)
            sd = max(0.02 * abs(truth), 2e-4)
            book.take((s,), a, truth, sd, kind=f"assay of {a}")
    if len(sheet.contents) > 1 and book.rng.random() < 0.4:
        _grains(book)


def _grains(book: Notebook) -> None:
    minerals = [c for c in book.sheet.components if c != "rest"]
    density = {m: float(book.rng.uniform(2.6, 7.0)) for m in minerals}
    for s in _holding(book):
        volume = {m: book.of((s,), m) / density[m] for m in minerals}
        everything = sum(volume.values())
        if everything <= 0 or not book.wanted():
            continue
        truth = volume[minerals[0]] / everything
        sd = float(np.sqrt(max(truth * (1 - truth), 1e-4) / 800))
        of = measurands.share_by_volume(minerals[:1], minerals, density)
        book.take((s,), of, truth, sd, kind="grains")


def _together(book: Notebook) -> None:
    """Composites of two streams, and one weigher over two."""
    names = _holding(book)
    if len(names) < 2:
        return
    for feature in ("composites", "sums"):
        if feature not in book.features:
            continue
        for _ in range(2):
            pair = tuple(str(s) for s in sorted(book.rng.choice(names, 2, replace=False)))
            if feature == "composites":
                for c in book.sheet.components:
                    if c != "rest" and min(book.of((s,), c) for s in pair) > 0:
                        _one_assay(book, pair, c)
            elif "unweighed" not in book.features:
                mass = book.of(pair, SOLIDS)
                book.take(pair, SOLIDS, mass, 0.01 * mass, kind="second weigher", share=False)


def _totals(book: Notebook) -> None:
    """Closure with an error: all components together are the solids, about."""
    sheet = book.sheet
    if "rest" not in sheet.components or sheet.wholes:
        return
    for s in _holding(book, "rest"):
        if all(sheet.holds(sheet.streams[sheet.stream_index[s]], c) for c in sheet.components):
            book.take((s,), measurands.total(sheet.components), 1.0, 0.01, kind="t", share=False)


def _priors(book: Notebook) -> None:
    """What is thought beforehand of losses and of unaccounted differences."""
    for stream in book.sheet.streams:
        if stream.name == "dust":
            dust = book.of(("dust",), SOLIDS)
            book.take(("dust",), SOLIDS, dust, dust, kind="prior", share=False)
        if stream.signed and book.rng.random() < 0.6:
            sd = max(abs(book.of((stream.name,), SOLIDS)), 0.5)
            book.take((stream.name,), SOLIDS, 0.0, sd, kind="prior", share=False)


def _controls(book: Notebook) -> None:
    """Control samples of known value: readings of the shared errors alone."""
    for causes in book.causes.values():
        for cause in causes:
            if cause.relative and book.rng.random() < 0.5:
                of = measurands.nothing(f"control of {cause.name}")
                sd = float(book.rng.uniform(0.3, 1.5)) * cause.size
                value = cause.size * book.true_causes[cause.name] + sd * book.error()
                shared = ((cause.name, cause.size),)
                book.taken[(), of.name] = Reading((), of, float(value), sd, shared)


def _limited(book: Notebook, reading: Reading) -> Reading:
    """Give a reading as a limit where it falls below one, or beyond a range."""
    if reading.value <= 0 or not reading.streams or book.rng.random() > 0.3:
        return reading
    limit = reading.value * float(book.rng.uniform(0.7, 2.5))
    if reading.value < limit <= 1.0:
        sd = max(limit / 4, reading.sd)
        return replace(reading, value=limit, sd=sd, limit=Limit.BELOW)
    if book.rng.random() < 0.3:
        return replace(reading, value=0.9 * reading.value, limit=Limit.ABOVE)
    return reading


def _fixed(book: Notebook) -> None:
    """Hold the mass of one feed exactly."""
    feeds = [s.name for s in book.sheet.feeds if not s.signed and SOLIDS not in s.without]
    mass = book.of((feeds[0],), SOLIDS)
    others = {k: r for k, r in book.taken.items() if k != ((feeds[0],), SOLIDS)}
    book.taken = {((feeds[0],), SOLIDS): Reading(feeds[0], SOLIDS, mass, 0.0), **others}


def _finished(book: Notebook) -> tuple[Reading, ...]:
    if "limits" in book.features:
        assays = {*book.sheet.components, *book.sheet.analytes}
        book.taken = {
            key: _limited(book, r) if key[1] in assays else r for key, r in book.taken.items()
        }
    if "fixed" in book.features:
        _fixed(book)
    if not book.taken:
        s = _holding(book)[0]
        book.taken[(s,), SOLIDS] = Reading(s, SOLIDS, book.of((s,), SOLIDS), 1.0)
    return tuple(book.taken.values())


def read(
    sheet: Flowsheet,
    amounts: Array,
    features: frozenset[str],
    rng: np.random.Generator,
    noise: float = 1.0,
) -> tuple[tuple[Reading, ...], dict[str, float]]:
    """Draw readings of a true state, errors times ``noise``; also the true shared causes."""
    book = Notebook(sheet, amounts, features, rng, noise)
    _masses(book)
    if sheet.water:
        _waters(book)
    _assays(book)
    _sieved(book)
    _oxides(book)
    _together(book)
    _totals(book)
    _priors(book)
    _controls(book)
    return _finished(book), book.true_causes
