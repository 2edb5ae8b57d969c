"""The example requests that come with the service."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path


def _folder() -> Traversable:
    """Find the examples: inside an installed package, or beside it in a checkout."""
    installed = files("service").joinpath("example_requests")
    return installed if installed.is_dir() else Path(__file__).parents[1] / "openapi" / "examples"


def _requests() -> dict[str, Traversable]:
    """Find the requests: balances in the folder itself, those of other doors in one each."""
    inner = [entry for door in _folder().iterdir() if door.is_dir() for entry in door.iterdir()]
    entries = [e for e in (*_folder().iterdir(), *inner) if e.name.endswith(".json")]
    return {e.name.removesuffix(".json"): e for e in sorted(entries, key=_name)}


def _name(entry: Traversable) -> str:
    return entry.name.removesuffix(".json")


def names() -> list[str]:
    """Give the names of the examples."""
    return [*_requests()]


def text(name: str) -> str:
    """
    Give an example request as it stands.

    Raises
    ------
    KeyError
        if there is no example of this name.
    """
    return _requests()[name].read_text(encoding="utf-8")
