"""
Each source of an error as a contribution to one reading, with the words that tell of it.

Values and standard deviations have the unit of the reading, and the words print them so: build
the contributions in the caller's unit and convert with `SdParts.scaled`.
"""

from __future__ import annotations

from .control import Bias, Precision
from .interlaboratory import thompson_relative_sd
from .model import Contribution, ErrorModel, Source, Stage
from .printed import DETECTION_MULTIPLE, detection_sd, rounding_sd
from .replicates import Centre, Pool
from .sampling import Material, sampling_relative_sd


def stated(model: ErrorModel, value: float, stage: Stage = Stage.UNDIVIDED) -> Contribution:
    """Give an error that the caller states, absolute, relative or both, at a value."""
    parts = [f"{model.absolute:g}"] if model.absolute or not model.relative else []
    parts += [f"{100 * model.relative:g} % of the value"] if model.relative else []
    return Contribution(Source.STATED, stage, model.sd(value), f"stated as {' and '.join(parts)}")


def from_replicates(centre: Centre, stage: Stage) -> Contribution:
    """Give the error of the mean, or robust location, of a reading's own replicates."""
    words = f"from {centre.count} replicates{_pulled(centre)}"
    return Contribution(Source.REPLICATES, stage, centre.sd, words)


def from_pool(pool: Pool, centre: Centre, stage: Stage) -> Contribution:
    """
    Give the error of a reading whose spread was pooled over streams.

    ``centre`` comes from `mean_of` or `huber_location`, called with the pool's spread.
    """
    streams = "1 stream" if pool.streams == 1 else f"{pool.streams} streams"
    words = f"pooled from {pool.replicates} replicates on {streams}"
    words = f"robustly {words}" if pool.robust else words
    return Contribution(Source.POOLED, stage, centre.sd, words + _pulled(centre))


def from_sampling(
    material: Material, value: float, sample_mass: float, lot_mass: float | None = None
) -> Contribution:
    """Give the fundamental sampling error at a value; masses as in `sampling_relative_sd`."""
    relative = sampling_relative_sd(material, sample_mass, lot_mass)
    words = f"a fundamental sampling error of {100 * relative:.3g} % of the value"
    return Contribution(Source.SAMPLING, Stage.SAMPLING, relative * abs(value), words)


def from_interlaboratory(value: float, fraction: float) -> Contribution:
    """
    Give Thompson's reproducibility, the last resort, at a value.

    ``fraction`` is the same content as a mass fraction.
    """
    relative = thompson_relative_sd(fraction)
    words = f"{100 * relative:.3g} % of the value, as laboratories differ at this content"
    return Contribution(Source.INTERLABORATORY, Stage.ANALYSIS, relative * abs(value), words)


def from_precision(precision: Precision, value: float, count: int = 1) -> Contribution:
    """Give the error of the mean of ``count`` determinations, from duplicates at many levels."""
    words = f"from {precision.pairs} duplicates between {precision.lowest:g} and "
    return Contribution(
        Source.CONTROL,
        Stage.ANALYSIS,
        precision.of_mean(value, count),
        f"{words}{precision.highest:g}",
    )


def rounding_floor(step: float, stage: Stage) -> Contribution:
    """Give the floor that a printed step sets; the stage is what the printed value measures."""
    return Contribution(Source.ROUNDING, stage, rounding_sd(step), f"the rounding of {step:g}")


def detection_floor(limit: float, multiple: float = DETECTION_MULTIPLE) -> Contribution:
    """Give the floor that a detection limit sets."""
    words = f"the detection limit of {limit:g} over {multiple:g}"
    return Contribution(Source.DETECTION, Stage.ANALYSIS, detection_sd(limit, multiple), words)


def from_bias(bias: Bias, value: float) -> Contribution:
    """Give the error that an estimated batch bias leaves at a value; all its readings share it."""
    controls = "1 control sample" if bias.controls == 1 else f"{bias.controls} control samples"
    return Contribution(
        Source.CONTROL,
        Stage.ANALYSIS,
        bias.sd * abs(value) if bias.relative else bias.sd,
        f"a batch bias known from {controls}",
    )


def _pulled(centre: Centre) -> str:
    """Say how many of a reading's values were wild, where any was."""
    if not centre.pulled_in:
        return ""
    return f" ({centre.pulled_in} of {centre.count} values of this reading pulled in)"
