"""The reply on the wire: what a series of shifts shows."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.kit.replies import Out, Titled

NOTICE = (
    "A finding is evidence, not proof: check the instrument before anything is changed. No reading "
    "and no sd was changed here."
)

Course = Literal["jump", "ramp", "jump or ramp"]
Watch = Literal["watched", "too weakly checked", "unchecked"]
Verdict = Literal["as stated", "too small", "too large", "not told"]

_SIZE_EXAMPLE = {
    "sds": 1.9,
    "sds_sd": 0.12,
    "value": 2.9,
    "sd": 0.18,
    "unit": "t/h",
    "percent": 1.9,
    "percent_sd": 0.12,
}
_RIVAL_EXAMPLE = {
    "instrument": "Cu of 'final tailing'",
    "odds": 4.2,
    "inseparable": False,
    "size": _SIZE_EXAMPLE,
}
_BIAS_EXAMPLE = {
    "instrument": "mass of 'fresh feed'",
    "statement": "Mass of 'fresh feed' reads 2.90 ± 0.18 t/h (1.9 % of the reading) high since "
    "about 'shift 52' ('shift 50' to 'shift 55'); check its zero and span against a known load.",
    "course": "jump",
    "ramp_odds": 0.002,
    "since": "shift 52",
    "since_earliest": "shift 50",
    "since_latest": "shift 55",
    "until": None,
    "told_at": "shift 61",
    "size": _SIZE_EXAMPLE,
    "chance": 1e-6,
    "rivals": [],
}
_SLIP_EXAMPLE = {
    "instrument": "Cu of 'final tailing'",
    "shift": "shift 37",
    "standardised": 6.8,
    "statement": "Cu of 'final tailing' in 'shift 37' is 6.8 sd above what the rest of that shift "
    "allows: look for a slip, and read it again if that is still possible.",
}
_WRONG_SD_EXAMPLE = {
    "instrument": "S of 'final tailing'",
    "statement": "The stated sd of S of 'final tailing', 2.5 % of the reading, is too small: the "
    "198 shifts in which it was checked say 4.00 ± 0.22 % of the reading.",
    "ratio": 1.6,
    "ratio_sd": 0.09,
    "stated_sd": 0.097,
    "proposed_sd": 0.155,
    "unit": "%",
    "stated_percent": 2.5,
    "proposed_percent": 4.0,
    "chance": 1e-9,
    "rivals": [],
}
_SD_EXAMPLE = {"verdict": "as stated", "ratio": 1.04, "low": 0.92, "high": 1.15, "reason": None}
_CHARTING_EXAMPLE = {
    "average_run_length": 2000.0,
    "design_shift": 1.0,
    "charts": 12,
    "run_length_each": 24000.0,
    "allowance": 0.5,
    "limit": 8.9,
    "false_alarm": 0.09,
}
_INSTRUMENT_EXAMPLE = {
    "name": "mass of 'fresh feed'",
    "readings": ["mass of 'fresh feed'"],
    "shifts": 198,
    "redundancy": 0.61,
    "watch": "watched",
    "peak": 42.0,
    "delay": 21.5,
    "alike": [],
    "path": None,
    "sd": _SD_EXAMPLE,
}


class Size(Out):
    """The size of a bias; positive where the readings are too high."""

    sds: float = Field(description="In stated sds of the readings.", examples=[1.9])
    sds_sd: float | None = Field(
        description="Its standard deviation; null for a rival.", examples=[0.12]
    )
    value: float | None = Field(
        description="In 'unit', at the mean sd of these shifts; null for several readings.",
        examples=[2.9],
    )
    sd: float | None = Field(description="Its standard deviation in 'unit'.", examples=[0.18])
    unit: str | None = Field(description="The unit of the reading.", examples=["t/h"])
    percent: float | None = Field(
        description="In percent of the readings; null where they are near zero.", examples=[1.9]
    )
    percent_sd: float | None = Field(
        description="Its standard deviation in percent.", examples=[0.12]
    )


class Rival(Out):
    """Another instrument whose error explains it nearly as well."""

    instrument: str = Field(description="Its name.", examples=["Cu of 'final tailing'"])
    odds: float = Field(
        description="Odds of the instrument named against this one: both equally likely to be "
        "off beforehand, and small biases likelier than large ones (a Cauchy distribution, half "
        "of it within two stated sds).",
        examples=[4.2],
    )
    inseparable: bool = Field(
        description="Whether the two look the same to within five degrees of angle, so that such "
        "shifts hardly tell them apart.",
        examples=[False],
    )
    size: Size | None = Field(
        description="The bias that it would have; null for a wrong sd.", examples=[_SIZE_EXAMPLE]
    )


class SustainedBias(Out):
    """An instrument that is off over many shifts."""

    instrument: str = Field(description="Its name.", examples=["mass of 'fresh feed'"])
    statement: str = Field(
        description="The finding in a sentence.",
        examples=["mass of 'fresh feed' reads 2.90 ± 0.18 t/h high since about shift 52."],
    )
    course: Course = Field(
        description="'jump', 'ramp' (it grows from shift to shift), or 'jump or ramp' where the "
        "odds are less than 20 to 1.",
        examples=["jump"],
    )
    ramp_odds: float = Field(description="Odds of a ramp against a jump.", examples=[0.002])
    since: str = Field(description="The likeliest first shift.", examples=["shift 52"])
    since_earliest: str = Field(
        description="Begin of the interval that holds the first shift with 95 %.",
        examples=["shift 50"],
    )
    since_latest: str = Field(description="End of that interval.", examples=["shift 55"])
    until: str | None = Field(
        description="The last shift, where it ended before the series did.", examples=["shift 120"]
    )
    told_at: str = Field(
        description="The shift at which a chart first passed its limit.", examples=["shift 61"]
    )
    size: Size = Field(
        description="How large it is; at its end, of a ramp.", examples=[_SIZE_EXAMPLE]
    )
    chance: float = Field(
        description="Chance that any chart reaches as high in a series as long as this while "
        "nothing is wrong.",
        examples=[1e-6],
    )
    rivals: list[Rival] = Field(
        description="Others that explain it nearly as well (odds below 20), or cannot be told "
        "from it.",
        examples=[[_RIVAL_EXAMPLE]],
    )


class Slip(Out):
    """A gross error in one shift."""

    instrument: str = Field(description="Its name.", examples=["Cu of 'final tailing'"])
    shift: str = Field(description="The shift.", examples=["shift 37"])
    standardised: float = Field(
        description="The residual in units of its own standard deviation; positive where the "
        "reading is too high.",
        examples=[6.8],
    )
    statement: str = Field(
        description="The finding in a sentence.",
        examples=["Cu of 'final tailing' in shift 37 is 6.8 sd above what the rest allows."],
    )


class WrongSd(Out):
    """A stated standard deviation that the series contradicts."""

    instrument: str = Field(description="Its name.", examples=["S of 'final tailing'"])
    statement: str = Field(
        description="The finding in a sentence.",
        examples=["The stated sd of S of 'final tailing', 0.097 %, is too small."],
    )
    ratio: float = Field(
        description="The sd found over the one stated, the others as stated.", examples=[1.6]
    )
    ratio_sd: float = Field(description="Its standard deviation.", examples=[0.09])
    stated_sd: float | None = Field(
        description="The stated sd in 'unit', mean over the shifts; null for several readings.",
        examples=[0.097],
    )
    proposed_sd: float | None = Field(
        description="The sd proposed instead, in 'unit'.", examples=[0.155]
    )
    unit: str | None = Field(description="The unit of the reading.", examples=["%"])
    stated_percent: float | None = Field(
        description="The stated sd in percent of the reading; null near zero.", examples=[2.5]
    )
    proposed_percent: float | None = Field(
        description="The proposed sd in percent of the reading.", examples=[4.0]
    )
    chance: float = Field(
        description="Chance of such a contradiction by any instrument if all sds were right.",
        examples=[1e-9],
    )
    rivals: list[Rival] = Field(
        description="Others whose sd could be wrong instead.", examples=[[]]
    )


class SdCheck(Out):
    """What the series says about the stated sd of an instrument, all others free as well."""

    verdict: Verdict = Field(
        description="'as stated', 'too small' or 'too large' where the series contradicts it, "
        "'not told' where it says too little.",
        examples=["as stated"],
    )
    ratio: float | None = Field(
        description="The sd found over the one stated; null where it is not told.", examples=[1.04]
    )
    low: float | None = Field(description="Lower end of its 95 % interval.", examples=[0.92])
    high: float | None = Field(description="Upper end of its 95 % interval.", examples=[1.15])
    reason: str | None = Field(description="Why it is not told.", examples=["Nothing checks it."])


class ModelCheck(Out):
    """What the series says about an error model, over all readings that refer to it."""

    name: str = Field(description="Its name.", examples=["XRF of majors"])
    readings: int = Field(description="How many readings refer to it.", examples=[12])
    verdict: Verdict = Field(
        description="'too small' or 'too large' where the ratio differs from one by more than "
        "chance in one of a hundred series, 'not told' where the series says too little.",
        examples=["too small"],
    )
    ratio: float | None = Field(
        description="The sds found over those stated, all other sds as stated.", examples=[1.31]
    )
    low: float | None = Field(description="Lower end of its 95 % interval.", examples=[1.22])
    high: float | None = Field(description="Upper end of its 95 % interval.", examples=[1.39])
    statement: str = Field(
        description="The same in a sentence.",
        examples=["The sds of error model 'XRF of majors' (12 readings) are as stated."],
    )


class Path(Out):
    """The course of a chart, shift by shift; only shifts that have a balance."""

    standardised: list[float | None] = Field(
        description="What is added up; null where it was not read or checked.",
        examples=[[0.4, 1.9, None]],
    )
    upper: list[float] = Field(
        description="The sum that tells of readings too high.", examples=[[0.0, 1.4, 1.4]]
    )
    lower: list[float] = Field(
        description="The sum that tells of readings too low.", examples=[[0.0, 0.0, 0.0]]
    )


class InstrumentReport(Out):
    """One instrument or sample point over the series."""

    name: str = Field(description="Its name.", examples=["mass of 'fresh feed'"])
    readings: list[str] = Field(description="What it reads.", examples=[["mass of 'fresh feed'"]])
    shifts: int = Field(description="Shifts in which it was read and checked.", examples=[198])
    redundancy: float = Field(
        description="Share of its error that the balances show: 0 nothing, 1 all of it. Mean "
        "over these shifts, the sum over its readings.",
        examples=[0.61],
    )
    watch: Watch = Field(
        description="Whether it has a chart: not where nothing or next to nothing checks it.",
        examples=["watched"],
    )
    peak: float | None = Field(
        description="The highest that its chart reached, nothing allowed for; an alarm is above "
        "the limit. A neighbour's error may be the reason.",
        examples=[3.1],
    )
    delay: float | None = Field(
        description="Shifts until its chart tells of a bias of one stated sd, on average.",
        examples=[21.5],
    )
    alike: list[str] = Field(
        description="Other instruments whose bias would look the same: they share a chart.",
        examples=[[]],
    )
    path: Path | None = Field(
        description="The course of its chart, where 'options.paths' asks for it.", examples=[None]
    )
    sd: SdCheck = Field(
        description="What the series says about its stated sd.", examples=[_SD_EXAMPLE]
    )


class ShiftCount(Out):
    """A shift without a balance."""

    shift: str = Field(description="Its name.", examples=["shift 17"])
    reason: str = Field(
        description="Why it is left out.", examples=["The fixed values cannot all be true."]
    )


class Charting(Out):
    """How the charts are set; one for each group of instruments that can be told apart."""

    average_run_length: float = Field(
        description="Shifts between false alarms, all charts together, at least.", examples=[2000.0]
    )
    design_shift: float = Field(
        description="The mean of a standardised adjustment to be found soonest.", examples=[1.0]
    )
    charts: int = Field(description="How many charts there are.", examples=[12])
    run_length_each: float = Field(
        description="Shifts between false alarms of one chart.", examples=[24000.0]
    )
    allowance: float = Field(
        description="What is taken off each deviate before it is added up.", examples=[0.5]
    )
    limit: float = Field(description="The sum above which a chart alarms.", examples=[8.9])
    false_alarm: float = Field(
        description="Chance of any false alarm in a series as long as this, at most.",
        examples=[0.09],
    )


class DriftReply(Titled):
    """What a series of shifts shows."""

    shifts: int = Field(description="Shifts that have a balance.", examples=[198])
    left_out: list[ShiftCount] = Field(description="Shifts that have none, and why.", examples=[[]])
    bounded: int = Field(
        description="Shifts in whose balance a bound is active; the evidence is free of it.",
        examples=[0],
    )
    charting: Charting | None = Field(
        description="How the charts are set; null where nothing is watched.",
        examples=[_CHARTING_EXAMPLE],
    )
    biases: list[SustainedBias] = Field(
        description="Instruments that are off over many shifts, each with the others allowed for.",
        examples=[[_BIAS_EXAMPLE]],
    )
    slips: list[Slip] = Field(
        description="Gross errors in single shifts, set aside.", examples=[[_SLIP_EXAMPLE]]
    )
    wrong_sds: list[WrongSd] = Field(
        description="Stated sds that the series contradicts, and what to put in their place.",
        examples=[[_WRONG_SD_EXAMPLE]],
    )
    error_models: list[ModelCheck] = Field(
        description="The request's error models, each over all readings that refer to it.",
        examples=[[]],
    )
    instruments: list[InstrumentReport] = Field(
        description="Every instrument.", examples=[[_INSTRUMENT_EXAMPLE]]
    )
    statements: list[str] = Field(
        description="Sentences: how to read this.",
        examples=[["12 charts; a series of 198 shifts alarms falsely in 9 % of cases at most."]],
    )
    warnings: list[str] = Field(description="What is worth a look.", examples=[[]])
    engine_time_ms: float = Field(description="Time in the engine.", examples=[820.0])
    notice: str = Field(default=NOTICE, description="What a finding is not.", examples=[NOTICE])
