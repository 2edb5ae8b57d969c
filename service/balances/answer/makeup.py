"""What each product is made of, from the engine's figures to the reply."""

from __future__ import annotations

from reconcile.metallurgy.performance import Performance, Place, Series
from service.balances.reply import Makeup, PartOfProduct
from service.balances.terms.performance import is_mineral

from . import said
from .terms import Answering


def makeup_of(it: Answering, series: Series, found: Performance) -> list[Makeup]:
    """Give what each product holds of minerals, or of components where there are none."""
    places = {s.of: s.products for s in found.separations if s.size is None}
    described = {part: places[part] for part in series.parts}
    components = {c.name: c for c in it.sheet.wire.components}
    minerals = any(is_mineral(components[part], it.sheet) for part in series.parts)
    made = []
    for k, product in enumerate(series.products):
        parts = [_part(it, name, of[k]) for name, of in described.items()]
        if not parts:
            continue
        parts.sort(key=lambda part: -1.0 if part.share.value is None else -part.share.value)
        unknown = [part for part in parts if part.share.value is None]
        known = [part for part in parts if part.share.value is not None]
        told = Makeup(
            product=product,
            basis="mineral" if minerals else "component",
            parts=[*known, *unknown],
            rest=it.share(found.others[k]),
            statement="",
        )
        made.append(told.model_copy(update={"statement": said.about_makeup(told)}))
    return made


def _part(it: Answering, name: str, place: Place) -> PartOfProduct:
    return PartOfProduct(of=name, share=it.share(place.grade), recovery=it.share(place.recovery))
