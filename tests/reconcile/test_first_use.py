"""What is compiled beforehand is what is needed later, and Python calls no part of a loop."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numba import typeof

from reconcile import first_use
from reconcile.kernel import lanes
from reconcile.kernel.compiled import seconds_of_compiling
from reconcile.stack import reconcile_stack
from tests.benchmarks.engine import whole
from tests.benchmarks.flowsheets import Family, survey

ROOT = Path(__file__).parents[2]


def _types(arguments: tuple[object, ...]) -> list[object]:
    return [typeof(argument) for argument in arguments]


def _called(monkeypatch: pytest.MonkeyPatch, name: str, loop: object) -> list[tuple[object, ...]]:
    """Give a list that takes the arguments of each call of a loop from now on."""
    calls: list[tuple[object, ...]] = []

    def noted(*arguments: object) -> object:
        calls.append(arguments)
        return loop(*arguments)  # type: ignore[operator]

    monkeypatch.setattr(lanes, name, noted)
    return calls


@pytest.mark.parametrize("part", [first_use.Part.ONE, first_use.Part.MANY])
def test_a_part_is_compiled_for_the_types_that_a_balance_has(
    monkeypatch: pytest.MonkeyPatch, part: first_use.Part
) -> None:
    """Otherwise it would be compiled in vain, and again at the first balance."""
    name = {first_use.Part.ONE: "descend", first_use.Part.MANY: "descend_all"}[part]
    calls = _called(monkeypatch, name, getattr(lanes, name))
    first_use.make_ready(part)
    chosen = survey(Family.DENSE, 8, 3, 1)
    values = chosen.draw(np.random.default_rng(1))
    readings = chosen.readings(values)
    if part is first_use.Part.ONE:
        whole(chosen, readings)
    else:
        reconcile_stack(chosen.flowsheet, readings, np.repeat(values[None], 20, axis=0), None)

    ready, *used = calls
    assert used
    assert all(_types(ready) == _types(arguments) for arguments in used)


def test_nothing_is_compiled_that_is_kept() -> None:
    for part in first_use.Part:
        first_use.make_ready(part)
    before = seconds_of_compiling()
    for part in first_use.Part:
        first_use.make_ready(part)

    assert before == seconds_of_compiling()
    assert first_use.are_compiled()


# --- parts of loops have no way in from Python -------------------------------------------------


def _is(function: ast.AST, decorator: str) -> bool:
    return isinstance(function, ast.FunctionDef) and any(
        isinstance(by, ast.Name) and by.id == decorator for by in function.decorator_list
    )


def _module(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def _names(tree: ast.Module, module: str) -> dict[str, str]:
    """Give what each name of a module stands for in full, as far as it was imported or made."""
    names = {f.name: f"{module}.{f.name}" for f in tree.body if isinstance(f, ast.FunctionDef)}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            above = module.split(".")[: -node.level] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            names |= {a.asname or a.name: f"{base}.{a.name}" for a in node.names}
    return names


def _uses(node: ast.AST, names: dict[str, str]) -> Iterator[str]:
    """Give the full names that Python code uses, outside of what is compiled."""
    for child in ast.iter_child_nodes(node):
        if any(_is(child, made) for made in ("compiled", "part_of_others", "inlined")):
            continue
        if isinstance(child, ast.Name):
            yield names.get(child.id, "")
        if isinstance(child, ast.Attribute) and isinstance(child.value, ast.Name):
            yield f"{names.get(child.value.id, '')}.{child.attr}"
        yield from _uses(child, names)


def test_python_calls_no_part_of_a_compiled_loop() -> None:
    """It would end the process: a part has no way in from Python."""
    paths = [p for top in ("reconcile", "service", "tests") for p in (ROOT / top).rglob("*.py")]
    trees = {_module(path): ast.parse(path.read_text(encoding="utf-8")) for path in paths}
    parts = {
        f"{module}.{function.name}"
        for module, tree in trees.items()
        for function in tree.body
        if isinstance(function, ast.FunctionDef) and _is(function, "part_of_others")
    }
    assert len(parts) > 50
    for module, tree in trees.items():
        assert not parts & set(_uses(tree, _names(tree, module))), module
