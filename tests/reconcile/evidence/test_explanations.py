"""What cannot be told apart comes together, with the reading that would tell it apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reconcile import Flowsheet, Options, Reading, Stream, reconcile_balance
from reconcile.findings import Evidence, Suspicion
from reconcile.options import Robust, Scrutiny
from tests.flowsheets import bypass_network, separator
from tests.surveys import survey


def _evidence(sheet: Flowsheet, readings: list[Reading]) -> Evidence:
    balance = reconcile_balance(sheet, readings, Options(scrutiny=Scrutiny()))
    assert balance.evidence is not None
    return balance.evidence


def _in_line() -> Flowsheet:
    """Three nodes in line: every stream carries the same."""
    return Flowsheet(
        ("a", "b", "c"),
        (
            Stream("1", None, "a"),
            Stream("2", "a", "b"),
            Stream("3", "b", "c"),
            Stream("4", "c", None),
        ),
    )


def test_a_leak_and_a_bias_at_the_edge_of_a_mass_network_are_one_finding() -> None:
    """What the first node loses before anything else is read looks like its feed read too high."""
    readings = [
        Reading(str(i), "mass", v, 1.0) for i, v in enumerate((112.0, 100.2, 99.9, 100.1), 1)
    ]

    (finding,) = _evidence(_in_line(), readings).findings

    alike = {(e.test.hypothesis.readings, e.test.hypothesis.node) for e in finding.explanations}
    assert alike == {((0,), None), ((), "a")}
    assert all(e.alike and e.angle < 1e-3 for e in finding.explanations)
    assert finding.explanations[0].test.statistic == pytest.approx(
        finding.explanations[1].test.statistic
    )


def test_weighing_the_feed_again_tells_leak_and_bias_apart() -> None:
    """A true leak leaves the feed as read, a bias does not: they differ by the whole error."""
    readings = [
        Reading(str(i), "mass", v, 1.0) for i, v in enumerate((112.0, 100.2, 99.9, 100.1), 1)
    ]

    (finding,) = _evidence(_in_line(), readings).findings

    telling = finding.telling[0]
    assert (telling.stream, telling.of.name, telling.repeats) == ("1", "mass", True)
    # With a leak the feed is as read, 112 ± 1; with a bias the mean of three. The new reading ± 1.
    size = 112.0 - np.mean((100.2, 99.9, 100.1))
    assert telling.separation == pytest.approx(size / np.sqrt(1 + 1), rel=1e-6)


def test_two_readings_that_check_only_each_other_are_one_finding() -> None:
    """Two weighings of the same flow 12 sd apart: either may be wrong, by the same statistic."""
    sheet = Flowsheet(("bin",), (Stream("in", None, "bin"), Stream("out", "bin", None)))
    readings = [Reading("in", "mass", 112.0, 1.0), Reading("out", "mass", 100.0, 1.0)]

    (finding,) = _evidence(sheet, readings).findings

    assert len(finding.explanations) == 3
    assert {abs(round(e.test.statistic, 9)) for e in finding.explanations} == {
        round(12 / np.sqrt(2), 9)
    }
    assert sum(e.probability for e in finding.explanations) == pytest.approx(1.0)


def test_two_errors_are_both_found_with_their_sizes() -> None:
    """Biases of 12 and 9 sd in streams that check each other only through the rest (dense)."""
    truth = np.array([100.0, 64.0, 36.0, 64.0, 36.0, 100.0])
    noise = np.array([0.2, -0.5, 0.1, 0.4, -0.3, -0.1])
    read = truth + noise + np.array([12.0, 0, 0, 0, -9.0, 0])
    readings = [Reading(str(i), "mass", float(v), 1.0) for i, v in enumerate(read, 1)]

    evidence = _evidence(bypass_network(), readings)

    told = [
        {e.test.hypothesis.readings for e in finding.explanations} for finding in evidence.findings
    ]
    assert len(told) == 2
    assert any((0,) in one for one in told)
    assert any((4,) in one for one in told)
    together = evidence.decisions[-1]
    assert len(together.hypotheses) == 2
    assert together.p_value is not None
    assert together.p_value > 0.05


def test_leaving_a_suspect_out_is_worked_out_but_not_done() -> None:
    """The balance keeps all readings; the decision has the figures of a balance without one."""
    sheet = separator(("Sn",))
    readings = [
        Reading("feed", "mass", 100.0, 0.2),
        Reading("concentrate", "mass", 12.0, 0.1),
        Reading("tailing", "mass", 93.0, 0.2),
        Reading("feed", "Sn", 0.06, 0.0005),
        Reading("concentrate", "Sn", 0.42, 0.004),
        Reading("tailing", "Sn", 0.011, 0.0002),
    ]
    plain = reconcile_balance(sheet, readings)
    evidence = _evidence(sheet, readings)

    single = next(d for d in evidence.decisions if d.balanced_anew)
    (hypothesis,) = single.hypotheses
    left = [r for i, r in enumerate(readings) if i not in hypothesis.readings]
    anew = reconcile_balance(sheet, left)
    recovery = next(f for f in single.figures if (f.stream, f.of) == ("concentrate", "Sn"))
    assert recovery.before == plain.recoveries["concentrate", "Sn"]
    assert recovery.after.value == pytest.approx(
        anew.recoveries["concentrate", "Sn"].value, rel=1e-9
    )


def test_nothing_is_claimed_where_nothing_is_checked() -> None:
    """Without redundancy there are no tests, and the evidence says so."""
    readings = [Reading("feed", "mass", 100.0, 1.0), Reading("tailing", "mass", 90.0, 1.0)]

    evidence = _evidence(separator(), readings)

    assert evidence.reference.startswith("none")
    assert evidence.findings == ()


def test_a_robust_fit_claims_nothing() -> None:
    """A robust fit has no reference distribution, so its evidence holds no p-values."""
    readings = [
        Reading(str(i), "mass", v, 1.0) for i, v in enumerate((112.0, 100.2, 99.9, 100.1), 1)
    ]

    balance = reconcile_balance(
        _in_line(), readings, Options(robust=Robust.HUBER, scrutiny=Scrutiny())
    )

    assert balance.evidence is not None
    assert balance.evidence.reference.startswith("none")
    assert balance.evidence.readings is None


def test_a_fixed_reading_is_no_suspect() -> None:
    """A value held exactly has no error to test; the readings around it are tested against it."""
    readings = [
        Reading("1", "mass", 100.0, 0.0),
        Reading("2", "mass", 109.0, 1.0),
        Reading("3", "mass", 100.3, 1.0),
        Reading("4", "mass", 99.8, 1.0),
    ]

    evidence = _evidence(_in_line(), readings)

    assert evidence.readings is not None
    assert [t.hypothesis.readings for t in evidence.readings.tests] == [(1,), (2,), (3,)]
    assert any(
        (1,) == e.test.hypothesis.readings for f in evidence.findings for e in f.explanations
    )


def test_water_alone_can_be_lost() -> None:
    """Water that nobody read enters a node: the solids are sound, so it is water alone."""
    sheet = Flowsheet(
        ("sump",),
        (Stream("in", None, "sump"), Stream("out", "sump", None)),
        water=True,
    )
    readings = [
        Reading("in", "mass", 100.0, 0.5),
        Reading("out", "mass", 100.2, 0.5),
        Reading("in", "water", 200.0, 2.0),
        Reading("out", "water", 240.0, 2.0),
    ]

    (finding,) = _evidence(sheet, readings).findings

    told = {e.test.hypothesis.suspicion: e.test for e in finding.explanations}
    assert told[Suspicion.WATER_LEAK].size == pytest.approx(-40.0)
    assert told[Suspicion.WATER_LEAK].sd == pytest.approx(np.sqrt(8.0))


@pytest.mark.parametrize("seed", range(8))
def test_evidence_changes_nothing_in_the_balance(seed: int) -> None:
    """Surveys of every matter, one reading 8 sd off: the balance is that without evidence."""
    grown = survey(seed)
    readings = list(grown.readings)
    k = seed % len(readings)
    if readings[k].sd > 0 and readings[k].limit is None:
        readings[k] = replace(readings[k], value=readings[k].value + 8 * readings[k].sd)

    plain = reconcile_balance(grown.flowsheet, readings)
    judged = reconcile_balance(grown.flowsheet, readings, Options(scrutiny=Scrutiny()))

    assert judged.outcome == plain.outcome
    assert judged.masses == plain.masses
    assert judged.test == plain.test
    assert (judged.evidence is None) == (judged.failure is not None)
