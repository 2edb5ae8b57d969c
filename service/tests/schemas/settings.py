"""How a machine was set for a pass, on the wire."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.kit.fields import Number, Positive, Wire


class _Setting(Wire):
    value: Positive = Field(description="The setting, in 'unit'.", examples=[4])


class FieldObject(_Setting):
    """A magnetic flux density."""

    value: Positive = Field(description="The flux density, in 'unit'.", examples=[0.35])
    unit: Literal["T", "mT", "G", "kG"] = Field(
        description="Unit of the value. UCUM: T, mT, G, kG.", examples=["T"]
    )


class CurrentObject(_Setting):
    """A coil current."""

    unit: Literal["A"] = Field(description="Unit of the value. UCUM: A.", examples=["A"])


class VoltageObject(_Setting):
    """A voltage between electrodes."""

    unit: Literal["kV", "V"] = Field(description="Unit of the value. UCUM: kV, V.", examples=["kV"])


class LengthObject(_Setting):
    """A gap, an aperture or a cut."""

    unit: Literal["mm", "um", "in"] = Field(
        description="Unit of the value. UCUM: mm, um, [in_i].", examples=["mm"]
    )


class SpeedObject(_Setting):
    """A belt speed."""

    unit: Literal["m/s", "m/min", "mm/s"] = Field(
        description="Unit of the value. UCUM: m/s, m/min, mm/s.", examples=["m/s"]
    )


class TurningObject(_Setting):
    """Turns of a roll, a drum or a rotor."""

    unit: Literal["rpm"] = Field(
        description="Unit of the value. UCUM: {rev}/min.", examples=["rpm"]
    )


class RateObject(_Setting):
    """A feed rate."""

    unit: Literal["g/min", "kg/min", "g/h", "kg/h", "t/h"] = Field(
        description="Unit of the value. UCUM: g/min, kg/min, g/h, kg/h, t/h.", examples=["kg/h"]
    )


class LiquidObject(_Setting):
    """The density of a heavy liquid."""

    unit: Literal["g/cm3", "kg/m3", "t/m3"] = Field(
        description="Unit of the value. UCUM: g/cm3, kg/m3, t/m3.", examples=["g/cm3"]
    )


class AngleObject(Wire):
    """The angle of a splitter or a chute."""

    value: Number = Field(description="The angle, in degrees.", examples=[-5])
    unit: Literal["deg"] = Field(description="Unit of the value. UCUM: deg.", examples=["deg"])


class SettingsObject(Wire):
    """
    How the machine was set; whatever is not known stays away.

    Settings are told in the report and change nothing in the balance.
    """

    field: FieldObject | None = Field(
        default=None,
        description="Magnetic flux density where the grains pass.",
        examples=[{"value": 0.35, "unit": "T"}],
    )
    coil_current: CurrentObject | None = Field(
        default=None, description="Current of the coils.", examples=[{"value": 2, "unit": "A"}]
    )
    voltage: VoltageObject | None = Field(
        default=None,
        description="Voltage of the electrodes.",
        examples=[{"value": 22, "unit": "kV"}],
    )
    gap: LengthObject | None = Field(
        default=None,
        description="Gap between pole, disc or roll and the belt.",
        examples=[{"value": 4, "unit": "mm"}],
    )
    aperture: LengthObject | None = Field(
        default=None,
        description="Aperture of the screen, or the size of the cut.",
        examples=[{"value": 1, "unit": "mm"}],
    )
    belt_speed: SpeedObject | None = Field(
        default=None, description="Speed of the belt.", examples=[{"value": 0.2, "unit": "m/s"}]
    )
    turning_speed: TurningObject | None = Field(
        default=None,
        description="Speed of the roll or drum.",
        examples=[{"value": 120, "unit": "rpm"}],
    )
    splitter: AngleObject | None = Field(
        default=None,
        description="Angle of the splitter.",
        examples=[{"value": -5, "unit": "deg"}],
    )
    feed_rate: RateObject | None = Field(
        default=None, description="Feed rate.", examples=[{"value": 30, "unit": "kg/h"}]
    )
    liquid_density: LiquidObject | None = Field(
        default=None,
        description="Density of the heavy liquid.",
        examples=[{"value": 2.96, "unit": "g/cm3"}],
    )
    note: str | None = Field(
        default=None,
        strict=True,
        max_length=2000,
        description="Anything else about the pass.",
        examples=["Feed dried at 105 °C; brushed under the disc."],
    )
