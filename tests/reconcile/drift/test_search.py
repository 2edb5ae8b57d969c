"""What a series shows is named for what it is: a jump, a ramp, a stray, a wrong sd, nothing."""

import numpy as np
import pytest

from reconcile.evidence.drift.found import Findings, FoundBias, findings
from reconcile.evidence.drift.residuals import Instruments, Residuals
from reconcile.evidence.drift.search import Design

from .series import Array, frame, residuals

READINGS, DEGREES, SHIFTS = 12, 6, 200
BASIS = frame(READINGS, DEGREES, 0)
ALONE = Instruments(np.arange(READINGS), READINGS)
JUMP = (np.arange(SHIFTS) >= 50).astype(float)
RAMP = np.clip((np.arange(SHIFTS) - 49) / (SHIFTS - 50), 0, 1)


def errors(seed: int) -> Array:
    return np.random.default_rng(seed).standard_normal((SHIFTS, READINGS))


def found(given: Array) -> Findings:
    return findings(residuals(BASIS, given), ALONE, Design())


def sure(shown: Findings) -> list[FoundBias]:
    """Give the biases that a series in control does not show in a thousand times."""
    return [bias for bias in shown.biases if bias.chance < 1e-3]


@pytest.mark.parametrize("size", [-2.0, 1.5, 6.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_jump_is_named_with_its_start_and_size(size: float, seed: int) -> None:
    """The right instrument with its start and size; whatever else alarms may be chance."""
    given = errors(seed)
    given[:, 3] += size * JUMP

    shown = found(given)

    (bias,) = sure(shown)
    assert 3 == bias.bias.instrument
    assert not bias.bias.ramp
    assert bias.earliest - 3 <= 50 <= bias.latest + 3
    assert SHIFTS == bias.bias.stop
    assert pytest.approx(size, abs=4 * bias.sd) == bias.size
    assert 50 <= bias.bias.alarm
    assert () == shown.spreads
    assert () == shown.strays


def test_a_slow_ramp_is_told_from_a_jump() -> None:
    """A meter that creeps: by odds of more than twenty, with its size at the end."""
    given = errors(1)
    given[:, 3] += 4 * RAMP

    (bias,) = sure(found(given))

    assert (3, True) == (bias.bias.instrument, bias.bias.ramp)
    assert bias.ramp_odds > 20
    assert pytest.approx(4.0, abs=4 * bias.sd) == bias.size


def test_a_bias_that_was_mended_ends_where_it_was() -> None:
    """From shift 50 to 120: the end is found, and the shifts after it are not blamed."""
    given = errors(2)
    given[50:120, 6] += 2.5

    (bias,) = sure(found(given))

    assert 6 == bias.bias.instrument
    assert abs(bias.bias.start - 50) <= 3
    assert abs(bias.bias.stop - 120) <= 5


@pytest.mark.parametrize("ratio", [0.4, 1.7])
def test_a_wrong_sd_is_not_called_a_drift(ratio: float) -> None:
    """Errors that are wider or narrower than stated, without a bias."""
    given = errors(4)
    given[:, 2] *= ratio

    shown = found(given)

    (spread,) = shown.spreads
    assert 2 == spread.instrument
    assert pytest.approx(ratio, abs=4 * spread.sd) == spread.ratio
    assert () == shown.biases


def test_a_drift_is_not_called_a_wrong_sd() -> None:
    """A large jump in the middle widens the spread of the whole series, and is still a jump."""
    given = errors(5)
    given[:, 6] += 3 * (np.arange(SHIFTS) >= 100)

    shown = found(given)

    assert [6] == [b.bias.instrument for b in shown.biases]
    assert () == shown.spreads


def test_one_wild_reading_is_neither() -> None:
    """A slip in one shift is named with its shift, and alarms no chart after."""
    given = errors(6)
    given[40, 6] += 12

    shown = found(given)

    (stray,) = shown.strays
    assert (6, 40) == (stray.instrument, stray.shift)
    assert stray.z > 5
    assert () == shown.biases
    assert () == shown.spreads


def test_all_three_at_once_are_told_apart() -> None:
    """A jump, a wrong sd and a slip, each in another instrument."""
    given = errors(7)
    given[:, 7] *= 1.7
    given[:, 3] += 2 * JUMP
    given[40, 6] += 12

    shown = found(given)

    assert [3] == [b.bias.instrument for b in sure(shown)]
    assert [7] == [s.instrument for s in shown.spreads]
    assert [(6, 40)] == [(s.instrument, s.shift) for s in shown.strays]


def test_two_drifts_are_both_named() -> None:
    """One that starts early and one late, of opposite signs; neither smears into a third."""
    given = errors(8)
    given[:, 3] += 2 * JUMP
    given[120:, 9] -= 2

    shown = {b.bias.instrument: b for b in sure(found(given))}

    assert {3, 9} == set(shown)
    for g, size, start in ((3, 2.0, 50), (9, -2.0, 120)):
        assert pytest.approx(size, abs=4 * shown[g].sd) == shown[g].size
        assert abs(shown[g].bias.start - start) <= 6


def test_instruments_that_look_alike_are_named_together() -> None:
    """Two readings with one signature: each is a rival of the other that nothing can separate."""
    basis = np.linalg.qr(np.vstack((BASIS, BASIS[3])))[0]
    rng = np.random.default_rng(9)
    given = rng.standard_normal((SHIFTS, READINGS + 1))
    given[:, 3] += 3 * JUMP

    shown = findings(residuals(basis, given), Instruments(np.arange(13), 13), Design())

    (bias,) = shown.biases
    assert {3, 12} == {bias.bias.instrument, bias.rivals[0].instrument}
    assert bias.rivals[0].inseparable
    assert pytest.approx(1.0, abs=0.05) == bias.rivals[0].odds


def test_a_twin_that_was_not_read_is_no_rival() -> None:
    """Of two readings that look alike, one stops before the other drifts: it is not to blame."""
    basis = np.linalg.qr(np.vstack((BASIS, BASIS[3])))[0]
    without = np.linalg.qr(np.where(np.arange(13)[:, None] == 12, 0.0, basis))[0]
    without[12] = 0.0
    rng, late = np.random.default_rng(9), np.arange(SHIFTS) >= 50
    given = rng.standard_normal((SHIFTS, 13))
    given[late, 3] += 3
    w = np.where(late[:, None], given @ without, given @ basis)
    both = Residuals(w, np.stack((basis, without)), late.astype(np.int64))

    shown = findings(both, Instruments(np.arange(13), 13), Design())

    (bias,) = sure(shown)
    assert 3 == bias.bias.instrument
    assert bias.bias.start >= 45
    assert 12 not in [rival.instrument for rival in bias.rivals]


def test_an_instrument_with_several_readings_is_one_finding() -> None:
    """A bias of all readings of a sample point is its bias, not that of one of them."""
    instruments = Instruments(np.array([0, 0, 0, *range(1, 10)]), 10)
    given = errors(10)
    given[:, :3] += 1.2 * JUMP[:, None]

    (bias,) = findings(residuals(BASIS, given), instruments, Design()).biases

    assert 0 == bias.bias.instrument
    assert pytest.approx(1.2, abs=4 * bias.sd) == bias.size


def test_without_checks_nothing_is_found() -> None:
    """A series in which nothing is redundant has no chart and no finding."""
    shown = findings(
        residuals(np.zeros((3, 0)), np.zeros((20, 3))), Instruments(np.arange(3), 3), Design()
    )

    assert [-1, -1, -1] == shown.groups.tolist()
    assert () == shown.biases


def test_false_alarms_are_as_rare_as_was_asked() -> None:
    """
    Of 300 series in control, the share with a drift named is what the run length lets expect.

    Charts of one network hang together, so that theirs is at most the sum of their rates; a false
    finding of the other kinds has a level of one per cent each.
    """
    runs = 300
    shown = [found(errors(1000 + seed)) for seed in range(runs)]
    expected = 1 - np.exp(-SHIFTS / Design().average)

    drifts = sum(bool(s.biases) for s in shown) / runs
    others = sum(bool(s.spreads or s.strays) for s in shown) / runs
    assert drifts <= expected + 3 * (expected * (1 - expected) / runs) ** 0.5
    assert others <= 0.02 + 3 * (0.02 * 0.98 / runs) ** 0.5
