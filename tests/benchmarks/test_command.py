"""The benchmark's command runs, and a wrong answer fails it."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks import __main__ as command
from tests.benchmarks import engine, growth, judge, measure
from tests.benchmarks.flowsheets import Family, survey
from tests.benchmarks.peers import Amounts, Convex, Fractions, Sequential


@pytest.fixture(autouse=True)
def nothing_to_warm(monkeypatch: pytest.MonkeyPatch) -> None:
    """No time is judged here, so nothing need be compiled beforehand."""
    monkeypatch.setattr(measure, "warm_up", lambda: None)


def _run(*more: str) -> int:
    return command.main(["--quick", "--rows", "8x3", "--flowsheets", "1", *more])


def test_the_command_prints_a_row_for_each_size_and_agrees(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One small row: its times, a line for every peer, status 0."""
    status = _run("--sections", "rows")

    printed = capsys.readouterr().out
    assert 0 == status
    assert "| 8x3 | 1 | 4 |" in printed
    for peer in ("IPOPT, the faster", Amounts.name, Fractions.name, Sequential.name):
        assert f"| 8x3 | {peer} |" in printed


def test_a_wrong_answer_fails_the_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Flows that close but lie a thousandth above the optimum end it with status 1."""
    flows = engine.Engine.flows
    monkeypatch.setattr(engine.Engine, "flows", lambda *given: 1.001 * flows(*given))

    status = _run("--sections", "rows")

    assert 1 == status
    assert "## Wrong or missing" in capsys.readouterr().out


def test_stacks_have_a_row_too(capsys: pytest.CaptureFixture[str]) -> None:
    """Shifts with gaps, beside IPOPT with the same gaps: agreed, status 0."""
    more = ("--rows", "stack-8x4-gaps", "--sections", "stack")

    status = command.main(["--quick", "--flowsheets", "1", *more])

    assert 0 == status
    assert "| stack-8x4-gaps | 1 | 2,000 |" in capsys.readouterr().out


def test_no_number_is_no_agreement() -> None:
    """An objective that is no number is above any other."""
    assert math.inf == judge.above(math.nan, 1.0)
    assert not judge.worst([judge.Verdict(0, 0, math.nan), judge.Verdict(0, 0, 0)]).good


@pytest.mark.parametrize("family", list(Family))
def test_truth_closes_and_lies_within_its_bounds(family: Family) -> None:
    """At every node to rounding; every stream runs; no component above its solids."""
    chosen = survey(family, 200, 3, 7)

    verdict = judge.judged(chosen, chosen.read(chosen.truth), chosen.truth)

    assert verdict.closure < 1e-10
    assert chosen.truth.min() > 0
    assert 0 == verdict.breach
    assert verdict.kkt < 1e-12


@pytest.mark.parametrize("kind", [Amounts, Fractions, Sequential])
def test_peers_come_to_the_same_optimum(kind: type[Amounts]) -> None:
    """Three programmes written apart end at one objective, judged to be an optimum."""
    chosen = survey(Family.DENSE, 8, 2, 5)
    values = chosen.draw(np.random.default_rng(1))
    interior = Amounts(chosen).solve(values).flows

    flows = kind(chosen).solve(values).flows

    assert pytest.approx(judge.objective(chosen, values, interior), rel=1e-7) == judge.objective(
        chosen, values, flows
    )
    assert judge.judged(chosen, values, flows).kkt < 1e-5


def test_masses_alone_are_judged_by_a_convex_programme() -> None:
    """Clarabel and IPOPT end at one objective."""
    chosen = survey(Family.LINES, 60, 0, 5)
    values = chosen.draw(np.random.default_rng(1))

    one, other = (kind(chosen).solve(values).flows for kind in (Convex, Amounts))

    assert pytest.approx(judge.objective(chosen, values, one), rel=1e-7) == judge.objective(
        chosen, values, other
    )


def test_an_exponent_is_the_slope_of_the_power_law() -> None:
    """Times of 2 S^1.5 give 1.5."""
    sizes = (10.0, 20.0, 40.0)
    one = growth.Grown("S", sizes, {"solve": [2 * s**1.5 for s in sizes]}, 0)

    assert pytest.approx(1.5) == one.exponent("solve")


def test_growth_is_plotted_as_a_vector_drawing(tmp_path: Path) -> None:
    """The file named holds an SVG."""
    pytest.importorskip("matplotlib", reason="the plot needs the extra 'benchmark'")
    made = [
        growth.Grown(name, (1.0, 2.0), dict(zip(growth.STEPS, itertools.repeat([1.0, 3.0]))), 0)
        for name in ("S", "C")
    ]

    growth.plot(made, tmp_path / "growth.svg")

    assert "<svg" in (tmp_path / "growth.svg").read_text(encoding="utf-8")
