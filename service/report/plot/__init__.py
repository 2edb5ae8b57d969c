"""Drawings as scalable graphics, byte by byte the same for the same drawing."""

from __future__ import annotations

from service.report.drawings import Bars, Drawing, Flows, Places

from . import bars, flows, places
from .sheet import FAMILY, Sheet, drawn, spelled

__all__ = ["FAMILY", "spelled", "svg"]


def svg(drawing: Drawing, *, key: str, on_page: bool) -> str:
    """
    Draw as SVG.

    Parameters
    ----------
    drawing
        what to draw.
    key
        tells the drawing from others on the same page.
    on_page
        whether it takes letters and colours of the page around it (``var(--ink)`` and so on);
        otherwise it has its own, and signs that its font lacks are spelled out.
    """

    def draw(sheet: Sheet) -> None:
        match drawing:
            case Bars():
                bars.draw(sheet, drawing)
            case Places():
                places.draw(sheet, drawing)
            case Flows():
                flows.draw(sheet, drawing)

    return drawn(draw, key=key, on_page=on_page)
