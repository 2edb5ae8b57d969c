"""Random flowsheets with water, mills, minerals, stocks over shifts, losses and differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reconcile import SIZES, SOLIDS, WATER, Content, Flowsheet, Stream, Whole
from tests.flowsheets import random_flowsheet

ODDS = {
    "water": 0.5,
    "sizes": 0.4,
    "minerals": 0.4,
    "causes": 0.5,
    "composites": 0.35,
    "sums": 0.3,
    "limits": 0.4,
    "orders": 0.25,
    "signed": 0.2,
    "loss": 0.25,
    "shifts": 0.12,
    "fixed": 0.12,
    "rough": 0.2,
    "unweighed": 0.06,
    "robust": 0.25,
}
"""How often a survey has each feature."""


def features_of(rng: np.random.Generator) -> frozenset[str]:
    """Draw which features a survey has."""
    return frozenset(name for name, odds in ODDS.items() if rng.random() < odds)


def _line() -> Flowsheet:
    """Give one node with one stream in and one out: a mill or a dryer by itself."""
    return Flowsheet(("node 1",), (Stream("stream 1", None, "node 1"), Stream("out", "node 1")))


def _graph(rng: np.random.Generator, streams: int) -> Flowsheet:
    return _line() if streams <= 2 else random_flowsheet(rng, streams, 0)


def _two_shifts(sheet: Flowsheet, rng: np.random.Generator) -> Flowsheet:
    """
    Give the flowsheet twice, one node holding a stock.

    Its closing content of the first shift is the opening one of the second.
    """
    nodes = tuple(f"{n}, shift {k}" for k in (1, 2) for n in sheet.nodes)

    def at(node: str | None, k: int) -> str | None:
        return None if node is None else f"{node}, shift {k}"

    streams = [
        Stream(f"{s.name}, shift {k}", at(s.source, k), at(s.target, k))
        for k in (1, 2)
        for s in sheet.streams
    ]
    bin_ = sheet.nodes[int(rng.integers(len(sheet.nodes)))]
    stocks = ((None, 1), (1, 2), (2, None))
    streams += [
        Stream(
            f"stock {i}",
            None if before is None else at(bin_, before),
            None if after is None else at(bin_, after),
        )
        for i, (before, after) in enumerate(stocks)
    ]
    return replace(sheet, nodes=nodes, streams=tuple(streams))


def _node(sheet: Flowsheet, rng: np.random.Generator) -> str:
    return sheet.nodes[int(rng.integers(len(sheet.nodes)))]


def _added(sheet: Flowsheet, *streams: Stream) -> Flowsheet:
    return replace(sheet, streams=(*sheet.streams, *streams))


def _outlets(sheet: Flowsheet, node: str) -> list[Stream]:
    return [s for s in sheet.streams if s.source == node and not s.signed]


def _with_water(sheet: Flowsheet, rng: np.random.Generator) -> Flowsheet:
    """Follow the water: an addition, a removal, a node that dries, a product without water."""
    sheet = replace(sheet, water=True)
    dry = frozenset((SOLIDS,))
    if rng.random() < 0.5:
        sheet = _added(sheet, Stream("water added", None, _node(sheet, rng), without=dry))
    if rng.random() < 0.25:
        sheet = _added(sheet, Stream("water drawn off", _node(sheet, rng), None, without=dry))
    if rng.random() < 0.3:
        sheet = replace(sheet, alters={**sheet.alters, _node(sheet, rng): frozenset((WATER,))})
    if rng.random() < 0.2:
        sheet = _dried(sheet, rng)
    return sheet


def _dried(sheet: Flowsheet, rng: np.random.Generator) -> Flowsheet:
    """Let one product hold no water, where its node has another way for it."""
    products = [
        s
        for s in sheet.products
        if s.source is not None and not s.without and len(_outlets(sheet, s.source)) > 1
    ]
    if not products:
        return sheet
    chosen = products[int(rng.integers(len(products)))]
    dried = replace(chosen, without=frozenset((WATER,)))
    changed = replace(sheet, streams=tuple(dried if s is chosen else s for s in sheet.streams))
    return changed if _drains(changed) else sheet


def _drains(sheet: Flowsheet) -> bool:
    """Say whether water has a way out from every node, through streams that hold it."""
    held = [s for s in sheet.streams if sheet.holds(s, WATER)]
    reaching = {s.source for s in held if s.target is None}
    for _ in sheet.nodes:
        reaching |= {s.source for s in held if s.target in reaching and s.target is not None}
    return reaching >= set(sheet.nodes)


def _with_sizes(sheet: Flowsheet, rng: np.random.Generator) -> Flowsheet:
    """Follow size classes, of some components as well, with at most one mill."""
    classes = tuple(f"class {i + 1}" for i in range(int(rng.integers(2, 5))))
    sized = tuple(c for c in sheet.components if rng.random() < 0.6)
    sheet = replace(sheet, classes=classes, sized=sized)
    if rng.random() < 0.7:
        node = _node(sheet, rng)
        altered = sheet.alters.get(node, frozenset()) | {SIZES}
        sheet = replace(sheet, alters={**sheet.alters, node: altered})
    return sheet


def _with_minerals(sheet: Flowsheet, rng: np.random.Generator) -> Flowsheet:
    """
    Give some components a composition, exact or uncertain, in analytes that they share.

    ``value`` is the true content here; what is known of it beforehand is drawn with the readings.
    """
    minerals = [c for c in sheet.components if c != "rest"]
    analytes = [f"oxide {i + 1}" for i in range(int(rng.integers(1, len(minerals) + 2)))]
    contents: dict[str, dict[str, Content]] = {}
    for mineral in minerals:
        carried = [a for a in analytes if rng.random() < 0.7] or [analytes[0]]
        value = 0.95 * rng.dirichlet(np.ones(len(carried) + 1))
        error = rng.uniform(0.005, 0.04, len(carried)) * (rng.random(len(carried)) < 0.6)
        contents[mineral] = {
            a: Content(float(v), float(v * e))
            for a, v, e in zip(carried, value, error, strict=False)
        }
    if rng.random() < 0.3:
        gain, loss = Content(float(-rng.uniform(0.005, 0.05))), Content(0.08, 0.004)
        contents[minerals[0]]["loss on ignition"] = gain
        contents[minerals[-1]].setdefault("loss on ignition", loss)
    return replace(sheet, contents=contents)


def _components(features: frozenset[str], rng: np.random.Generator) -> tuple[str, ...]:
    if "minerals" in features:
        minerals = tuple(f"mineral {i + 1}" for i in range(int(rng.integers(2, 4))))
        return (*minerals, "rest") if rng.random() < 0.6 else minerals
    return tuple(f"component {i + 1}" for i in range(int(rng.integers(0, 4))))


def _with_extras(sheet: Flowsheet, features: frozenset[str], rng: np.random.Generator) -> Flowsheet:
    """Add the streams that are no ordinary ones, and nodes that alter a component."""
    if "loss" in features:
        sheet = _added(sheet, Stream("dust", _node(sheet, rng), None))
    if "signed" in features:
        ends = (_node(sheet, rng), None) if rng.random() < 0.7 else (None, _node(sheet, rng))
        sheet = _added(sheet, Stream("unaccounted", *ends, signed=True))
    if "minerals" not in features and sheet.components and rng.random() < 0.1:
        node = _node(sheet, rng)
        altered = sheet.alters.get(node, frozenset()) | {sheet.components[0]}
        sheet = replace(sheet, alters={**sheet.alters, node: altered})
    if sheet.components and rng.random() < 0.1:
        barren = frozenset((sheet.components[-1],)) - {"rest"}
        sheet = _added(sheet, Stream("flux", None, _node(sheet, rng), without=barren))
    return sheet


def _whole(sheet: Flowsheet, rng: np.random.Generator) -> Flowsheet:
    """Close the components with the rest among them, everywhere or in some streams."""
    if "rest" not in sheet.components or rng.random() < 0.2:
        return sheet
    names = tuple(s.name for s in sheet.streams if SOLIDS not in s.without)
    some = tuple(n for n in names if rng.random() < 0.6) or names[:1]
    streams = None if rng.random() < 0.6 else some
    return replace(sheet, wholes=(Whole(sheet.components, streams),))


def random_sheet(rng: np.random.Generator, features: frozenset[str], streams: int) -> Flowsheet:
    """Grow a flowsheet with the features; contents are the true ones."""
    sheet = _graph(rng, streams)
    if "shifts" in features:
        sheet = _two_shifts(sheet, rng)
    sheet = replace(sheet, components=_components(features, rng))
    sheet = _with_extras(sheet, features, rng)
    if "water" in features:
        sheet = _with_water(sheet, rng)
    if "sizes" in features:
        sheet = _with_sizes(sheet, rng)
    if "minerals" in features:
        sheet = _whole(_with_minerals(sheet, rng), rng)
    return sheet
