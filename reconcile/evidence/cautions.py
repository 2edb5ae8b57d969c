"""Cautions in sentences: what the engine noticed beside the numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from reconcile.balance import Knowledge, Known
from reconcile.flowsheet import SIZES, SOLIDS, Content, Flowsheet

if TYPE_CHECKING:
    from reconcile.linearisation import Linearisation

LEVEL = 0.01
"""Chance of a false alarm, over all nodes together, of the caution about sizes (Bonferroni)."""

MOST_NODES = 30
"""Nodes that are tried one by one; each costs a balance."""


def emptied(at: Linearisation) -> Iterator[str]:
    """Streams and classes that the optimum brought to zero."""
    model = at.solution.plan.model
    for column in np.flatnonzero(at.solution.emptied):
        stream, quantity = model.label(int(column))
        what = "mass" if quantity == SOLIDS else f"{quantity}"
        yield (
            f"The reconciled {what} of '{stream}' is zero, so its assays have no meaning and its "
            "assay readings were left out."
        )


def unresolved_minerals(
    at: Linearisation, assays: Mapping[tuple[str, str], Known]
) -> Iterator[str]:
    """Minerals that the analytes read cannot tell apart, if any stream's are unobservable."""
    plan = at.solution.plan
    sheet = plan.model.flowsheet
    if not sheet.contents:
        return
    unknown = {c for (_, c), a in assays.items() if a.knowledge is Knowledge.UNOBSERVABLE}
    read = sorted({analyte for key in plan.keys for _, _, analyte in key.of.carried})
    members = [m for whole in sheet.wholes for m in whole.components]
    minerals = list(dict.fromkeys((*sheet.contents, *members)))
    if not unknown & set(minerals):
        return
    # Loaded only where minerals are: the package reads formulas, which takes a library.
    from reconcile.minerals.resolution import in_words, resolution  # noqa: PLC0415

    none = Content(0.0)
    rows = [[sheet.contents.get(m, {}).get(a, none) for m in minerals] for a in read]
    rows += [[Content(float(m in w.components)) for m in minerals] for w in sheet.wholes]
    shape = (len(rows), len(minerals))
    contents = np.array([c.value for row in rows for c in row]).reshape(shape)
    found = resolution(contents, np.array([c.sd for row in rows for c in row]).reshape(shape))
    for mixture, sentence in zip(found.mixtures.T, in_words(found, minerals), strict=True):
        if any(minerals[int(k)] in unknown for k in np.flatnonzero(mixture)):
            yield (
                f"{sentence} The analytes read ({', '.join(read) or 'none'}) leave it open. Read "
                "one of them on its own, by grain counts or a separation, or an analyte that tells "
                "them apart."
            )


def altered(flowsheet: Flowsheet, node: str) -> Flowsheet:
    """Give the flowsheet with a node that also alters sizes."""
    more = flowsheet.alters.get(node, frozenset()) | {SIZES}
    return replace(flowsheet, alters={**flowsheet.alters, node: more})


def nodes_that_keep_sizes(flowsheet: Flowsheet) -> list[str]:
    """Give the nodes that are said to conserve sizes, if size classes are followed at all."""
    if not flowsheet.classes or len(flowsheet.nodes) > MOST_NODES:
        return []
    return [n for n in flowsheet.nodes if SIZES not in flowsheet.alters.get(n, frozenset())]


def explains(before: tuple[float, int], after: tuple[float, int], tried: int) -> bool:
    """
    Say whether a node's size balance is what does not fit.

    ``before`` and ``after`` are statistic and degrees of freedom with and without it; the fall is
    chi-square with the degrees given up (likelihood ratio), at :data:`LEVEL` over ``tried`` nodes.
    """
    fall, freed = before[0] - after[0], before[1] - after[1]
    return freed > 0 and bool(fall > chi2.isf(LEVEL / tried, freed))


def sizes_made(nodes: list[str], before: float, after: float) -> str:
    """Give the caution about nodes of which one seems to alter sizes."""
    named = " or ".join(f"'{node}'" for node in nodes)
    one = len(nodes) == 1
    return (
        f"The size readings contradict that {named} conserves sizes: without that balance the "
        f"statistic falls from {before:.4g} to {max(after, 0.0):.4g}. A mill, an attritioner or a "
        f"crusher makes sizes; if {'it' if one else 'one of them'} is such, say that it alters "
        'sizes ("alters": ["sizes"]).'
    )
