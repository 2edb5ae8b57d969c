"""Which findings stand although some of the request could not be read."""

from __future__ import annotations

from reconcile.faults import Fault, Where

from .repair import MARK, Unread

_NODES: Where = ("flowsheet", "nodes")
_STREAMS: Where = ("flowsheet", "streams")
_COMPONENTS: Where = ("flowsheet", "components")
_ANALYTES: Where = ("flowsheet", "analytes")
_FOLLOWED = (_COMPONENTS, _ANALYTES, ("flowsheet", "water"), ("flowsheet", "sizes"))

_NODE_NAMES: Where = (*_NODES, "*", "name")
_STREAM_NAMES: Where = (*_STREAMS, "*", "name")

_FED: Where = ("passes", "*", "fed", "*", "of")
_MADE: Where = ("passes", "*", "products", "*", "name")
_LOTS: tuple[Where, ...] = (("head", "name"), ("heads", "*", "name"), _MADE)

_OWN: Where = ()
"""The entry in which the fault was found."""

# A finding follows from more than its own place; where any of that could not be read, it may be
# the slip's doing and is not told.
_RESTS_ON: dict[str, tuple[Where, ...]] = {
    "unknown-node": (_NODE_NAMES,),
    "node-without-inlet": (_STREAMS,),
    "node-without-outlet": (_STREAMS,),
    "node-without-inlet-or-outlet": (_STREAMS,),
    "node-without-through-flow": (_STREAMS, _NODES),
    "stream-without-ends": (_OWN,),
    "kind-does-not-fit": (_OWN,),
    "stream-without-it": (_STREAMS,),
    "unknown-stream": (_STREAM_NAMES,),
    "stream-without-grades": (_STREAMS,),
    "product-of-another-feed": (_STREAMS, ("flowsheet", "nodes")),
    "product-counted-twice": (_STREAMS, ("flowsheet", "nodes")),
    "performance-of-periods": (("periods",),),
    "unknown-component": _FOLLOWED,
    "unknown-quantity": _FOLLOWED,
    "quantity-not-followed": _FOLLOWED,
    "unknown-analyte": (_ANALYTES,),
    "analyte-in-no-mineral": (_COMPONENTS, _ANALYTES),
    "water-not-followed": (("flowsheet", "water"),),
    "sizes-not-followed": (("flowsheet", "sizes"),),
    "unknown-aperture": (("flowsheet", "sizes"),),
    "no-apertures": (("flowsheet", "sizes"),),
    "empty-size": (_OWN,),
    "unclear-size": (_OWN,),
    "basis-does-not-fit": (_OWN,),
    "missing-solid-density": (_OWN, ("flowsheet", "solid_density")),
    "missing-density": (_COMPONENTS,),
    "missing-detection-limit": (_COMPONENTS, _ANALYTES),
    "unit-does-not-fit": (_COMPONENTS, _ANALYTES, ("error_models",), ("causes",)),
    "assay-above-100-percent": (_OWN, _COMPONENTS, _ANALYTES),
    "theoretical-above-100-percent": (_OWN,),
    "missing-unit": (_OWN,),
    "missing-field": (_OWN,),
    "several-results": (_OWN,),
    "reading-without-sd": (_OWN, ("error_models",)),
    "relative-sd-on-zero": (_OWN,),
    "relative-sd-on-negative": (_OWN,),
    "unusable-error-input": (_OWN,),
    "nothing-counted": (_OWN,),
    "cause-without-size": (_OWN,),
    "unclear-error-model": (_OWN,),
    "total-without-sd": (_OWN,),
    "likeness-without-error": (_OWN,),
    "closure-of-nothing": (_OWN,),
    "unknown-cause": (("causes",),),
    "control-of-nothing": (("causes",), _OWN),
    "unknown-error-model": (("error_models",),),
    "unknown-period": (("periods",),),
    "missing-period": (_OWN, ("periods",)),
    "unknown-stock": (_NODES,),
    "unknown-time": (_NODES, ("periods",)),
    "at-without-stock": (_OWN,),
    "stock-and-stream": (_OWN,),
    "no-readings": (("readings",), ("design",)),
    "recovery-of-no-component": (_COMPONENTS,),
    "no-single-goal": (("targets",), ("detection",)),
    "nothing-to-test": (("readings",),),
    "nothing-to-improve": (_OWN, ("readings",)),
    "no-improvement": (_OWN, ("readings",)),
    # Of test sheets: what was fed follows from the names of all lots.
    "unknown-lot": _LOTS,
    "duplicate-name": _LOTS,
    "nothing-fed": (_FED,),
    "no-products": (_MADE,),
    "no-head": (("head",), ("heads",)),
    "head-not-fed": (_FED, *_LOTS),
    "fed-twice": (_FED,),
    "parted-without-error": (_FED, ("errors", "splitting")),
    "gross-without-tare": (("passes", "*", "products", "*", "tare"), ("head", "tare")),
    "tare-without-gross": (("passes", "*", "products", "*", "gross"), ("head", "gross")),
    "unknown-tare": (("tares", "*", "name"),),
    "too-many-candidates": (("candidates",), ("costs",), ("readings",), _STREAMS, _COMPONENTS),
}


def _entry(where: Where) -> Where:
    """Give the entry of a list that a place lies in."""
    ends = [n for n, part in enumerate(where, 1) if isinstance(part, int)]
    return where[: ends[0]] if ends else where


def standing(findings: list[Fault], unread: Unread) -> list[Fault]:
    """Give the findings of sense that rest on nothing unread, in words without stand-ins."""
    return [
        Fault(f.where, f.code, f.what.replace(MARK, ""), f.mend.replace(MARK, ""))
        for f in findings
        if not unread.hides(f.where)
        and not any(_is_doubtful(place or _entry(f.where), unread) for place in _rests_on(f.code))
    ]


def _is_doubtful(place: Where, unread: Unread) -> bool:
    # A test sheet has the members of a flowsheet at its top.
    inner = place[1:] if place[:1] == ("flowsheet",) else ()
    return _is_touched(place, unread) or (bool(inner) and _is_touched(inner, unread))


def _is_touched(place: Where, unread: Unread) -> bool:
    if "*" in place:
        return any(
            all(theirs in ("*", ours) for ours, theirs in zip(where, place, strict=False))
            for where in unread.places
            if len(where) <= len(place)
        )
    return place in unread.touched or unread.hides(place)


def _rests_on(code: str) -> tuple[Where, ...]:
    return _RESTS_ON.get(code, ())
