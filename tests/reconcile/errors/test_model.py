"""How an error grows with the value, and how the parts of one reading's error join."""

import math

import pytest

from reconcile.errors import (
    Contribution,
    Control,
    ErrorModel,
    Material,
    SdParts,
    Source,
    Stage,
    UnusableErrorInput,
    batch_bias,
    detection_floor,
    from_bias,
    from_interlaboratory,
    from_pool,
    from_precision,
    from_replicates,
    from_sampling,
    huber_location,
    mean_of,
    pooled_sd,
    precision_from_duplicates,
    robust_pooled_sd,
    rounding_floor,
    stated,
)


def part(sd: float, stage: Stage, source: Source = Source.STATED) -> Contribution:
    """Give a contribution with its source as its words."""
    return Contribution(source, stage, sd, str(source))


@pytest.mark.parametrize(("value", "sd"), [(0.0, 0.3), (20.0, 0.5), (-20.0, 0.5)])
def test_absolute_and_relative_errors_join_in_squares(value: float, sd: float) -> None:
    """0.3 and 2 % of 20 make 0.5; at zero the absolute one is left."""
    assert pytest.approx(sd) == ErrorModel(0.3, 0.02).sd(value)


def test_parts_join_as_the_guide_joins_them() -> None:
    """JCGM 100:2008, H.1 (from memory): 25, 9.7, 2.9 and 16.6 nm make 32 nm."""
    parts = SdParts(tuple(part(sd, Stage.ANALYSIS) for sd in (25, 9.7, 2.9, 16.6)))

    assert pytest.approx(32, abs=0.5) == parts.total


def test_shares_are_of_the_variance() -> None:
    """Sampling 3 and analysis 4 make 5, with 36 % and 64 %."""
    parts = SdParts((part(3, Stage.SAMPLING), part(4, Stage.ANALYSIS)))

    assert pytest.approx(5) == parts.total
    assert pytest.approx({Stage.SAMPLING: 0.36, Stage.ANALYSIS: 0.64}) == parts.shares


def test_a_floor_below_the_total_changes_nothing() -> None:
    """It is told as a floor, and takes no share."""
    parts = SdParts((part(1, Stage.SAMPLING),), (rounding_floor(0.1, Stage.ANALYSIS),))

    assert (1, None, {Stage.SAMPLING: 1}) == (parts.total, parts.floor, parts.shares)
    assert "stated; at least the rounding of 0.1" == parts.sentence


def test_a_floor_above_the_total_raises_it() -> None:
    """The total is the floor, not the sum; what it adds is its own stage's."""
    floor = Contribution(Source.ROUNDING, Stage.ANALYSIS, 5.0, "the rounding of 17.3")
    parts = SdParts((part(3, Stage.SAMPLING),), (part(1, Stage.WEIGHING), floor))

    assert (5.0, floor) == (parts.total, parts.floor)
    assert pytest.approx({Stage.SAMPLING: 0.36, Stage.ANALYSIS: 0.64}) == parts.shares
    assert "stated; at least stated; raised to the rounding of 17.3" == parts.sentence


def test_rounding_alone_is_an_error() -> None:
    """A bare printed 0.1 has its 0.029, and the sentence says that nothing else is known."""
    parts = SdParts((), (rounding_floor(0.1, Stage.ANALYSIS),))

    assert pytest.approx(0.1 / math.sqrt(12)) == parts.total
    assert "nothing stated; raised to the rounding of 0.1" == parts.sentence


def test_only_a_stated_error_may_be_zero() -> None:
    """Replicates that agree do not fix a value; a caller who says zero does."""
    agreeing = from_replicates(mean_of([0.1, 0.1]), Stage.ANALYSIS)

    assert 0 == SdParts((stated(ErrorModel(), 0.1),)).total
    assert {} == SdParts((stated(ErrorModel(), 0.1),)).shares
    with pytest.raises(UnusableErrorInput, match="step"):
        SdParts((agreeing,))
    assert SdParts((agreeing,), (rounding_floor(0.1, Stage.ANALYSIS),)).total > 0


def test_another_unit_leaves_shares_and_words() -> None:
    """From % to fractions, down to where squares would vanish."""
    parts = SdParts(
        (part(3, Stage.SAMPLING), part(4, Stage.ANALYSIS)),
        (Contribution(Source.DETECTION, Stage.ANALYSIS, 10.0, "floor"),),
    )
    scaled = parts.scaled(1e-200)

    assert pytest.approx(1e-199) == scaled.total
    assert pytest.approx(parts.shares) == scaled.shares
    assert parts.sentence == scaled.sentence


def test_the_sentence_tells_of_a_pool_and_a_floor() -> None:
    """Twelve replicates on six streams, and the rounding."""
    pool = pooled_sd([[10.0 + i, 11.0 + i] for i in range(6)])
    parts = SdParts(
        (from_pool(pool, mean_of([10.0, 11.0], pool.sd), Stage.ANALYSIS),),
        (rounding_floor(0.1, Stage.ANALYSIS),),
    )

    assert "pooled from 12 replicates on 6 streams; at least the rounding of 0.1" == parts.sentence
    assert pytest.approx(math.sqrt(0.5) / math.sqrt(2)) == parts.total


def test_the_sentence_tells_of_wild_values() -> None:
    """A robust pool says so, and how many values of the reading were pulled in."""
    pool = robust_pooled_sd([[10.0, 11.0, 10.5], [4.0, 4.5], [7.0, 7.4], [9.0, 8.5]])
    wild = huber_location([10.4, 10.6, 10.5, 90.0], pool.sd)

    assert (
        "robustly pooled from 9 replicates on 4 streams (1 of 4 values of this reading pulled in)"
    ) == from_pool(pool, wild, Stage.ANALYSIS).words


def test_each_source_has_its_sd_and_stage() -> None:
    """Relative errors are taken at the value; the words carry the figures."""
    ore = Material(1.0, 1.0, 0.2, 3.0, 3.0, shape_factor=1.0, range_factor=1.0)
    duplicates = precision_from_duplicates([(1.0, 1.2), (5.0, 5.4), (9.0, 8.0)])
    bias = batch_bias([Control(10.0, 0.3, (10.0,))], ErrorModel(0.4), relative=True)
    told = {
        from_sampling(ore, 50.0, 1200.0): (Stage.SAMPLING, 5.0, "10 % of the value"),
        from_interlaboratory(100.0, 1.0): (Stage.ANALYSIS, 1.0, "1 % of the value"),
        from_bias(bias, 20.0): (Stage.ANALYSIS, 1.0, "1 control sample"),
        detection_floor(0.3): (Stage.ANALYSIS, 0.1, "limit of 0.3 over 3"),
        stated(ErrorModel(0.3, 0.02), 20.0): (Stage.UNDIVIDED, 0.5, "0.3 and 2 % of the value"),
        stated(ErrorModel(0.3), 20.0, Stage.WEIGHING): (Stage.WEIGHING, 0.3, "stated as 0.3"),
        from_precision(duplicates, 3.0, 4): (
            Stage.ANALYSIS,
            duplicates.model.sd(3.0) / 2,
            "3 duplicates between 1.1 and 8.5",
        ),
    }
    for contribution, (stage, sd, words) in told.items():
        assert stage is contribution.stage
        assert pytest.approx(sd) == contribution.sd
        assert words in contribution.words


@pytest.mark.parametrize(
    ("argument", "call"),
    [
        ("absolute", lambda: ErrorModel(-1.0, 0.0)),
        ("relative", lambda: ErrorModel(0.0, math.nan)),
        ("value", lambda: ErrorModel(1.0, 1.0).sd(math.inf)),
        ("sd", lambda: part(-1.0, Stage.ANALYSIS)),
        ("parts", lambda: SdParts(())),
        ("factor", lambda: SdParts((part(1.0, Stage.ANALYSIS),)).scaled(0.0)),
        ("count", lambda: precision_from_duplicates([(1, 2), (3, 4), (5, 7)]).of_mean(1.0, 0)),
    ],
)
def test_impossible_errors_are_refused(argument: str, call) -> None:
    """Negative, endless or from nowhere."""
    with pytest.raises(UnusableErrorInput) as refusal:
        call()

    assert argument == refusal.value.argument
