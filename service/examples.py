"""The example requests that come with the service."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path


def _folder() -> Traversable:
    """Find the examples: inside an installed package, or beside it in a checkout."""
    installed = files("service").joinpath("example_requests")
    return installed if installed.is_dir() else Path(__file__).parents[1] / "openapi" / "examples"


def names() -> list[str]:
    """Give the names of the examples."""
    return sorted(
        entry.name.removesuffix(".json")
        for entry in _folder().iterdir()
        if entry.name.endswith(".json")
    )


def text(name: str) -> str:
    """
    Give an example request as it stands.

    Raises
    ------
    KeyError
        if there is no example of this name.
    """
    if name not in names():
        raise KeyError(name)
    return _folder().joinpath(f"{name}.json").read_text(encoding="utf-8")
