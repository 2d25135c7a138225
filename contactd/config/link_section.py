"""``links`` of a target's file: its radio links, for margins, Doppler and services."""

from __future__ import annotations

import math
import re
from typing import Annotated, Any

from pydantic import Field, model_validator

from contactd.config.sections import Many, Section, raise_at
from contactd.config.types import Kind, Name, Refused, number, words

GREATEST_WITH_AIR_MHZ = 55_000.0
"""ITU-R P.618 holds to here."""

Decibels = Annotated[float, number(-300, 300, "dB")]
Loss = Annotated[float, number(0, 300, "dB", "a loss")]
Gain = Annotated[float, number(-100, 100, "dBi", "a gain")]
Aspect = Annotated[float, number(0, 180, what="an angle in degrees from the boresight")]


def _ratio(value: Any) -> float:
    if isinstance(value, str):
        found = re.fullmatch(r"\s*(\d{1,6})\s*/\s*(\d{1,6})\s*", value, re.ASCII)
        if found is None or int(found[2]) == 0:
            raise Refused
        value = int(found[1]) / int(found[2])
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused
    if not math.isfinite(value) or not 0.01 <= value <= 100:
        raise Refused
    return float(value)


Ratio = Annotated[float, Kind("a ratio of down to up frequency, such as 240/221", _ratio)]


class AntennaSection(Section):
    """The satellite's antenna: what it points at, and its gain by the angle from there."""

    attitude: Annotated[str, words(["nadir", "station", "tumbling"])] = "nadir"
    pattern: Many[tuple[Aspect, Gain]] = ((0.0, 0.0),)

    @model_validator(mode="after")
    def _ascends(self) -> AntennaSection:
        if not self.pattern:
            raise_at(("pattern",), "at least one point [angle, gain]", "none")
        for index, (before, after) in enumerate(zip(self.pattern, self.pattern[1:], strict=False)):
            if after[0] <= before[0]:
                place = ("pattern", index + 1, 0)
                raise_at(place, f"an angle after the {before[0]:g}° of the point before it")
        return self


class AtmosphereSection(Section):
    """Attenuation by gases, clouds and rain (ITU-R P.618), exceeded for a share of the year."""

    exceeded_percent: Annotated[float, number(0.001, 50, what="percent of the time")] = 1.0
    antenna_diameter_m: Annotated[float, number(0.1, 100, "m", "a diameter")] = 3.0


class LinkSection(Section):
    """One radio link in one direction."""

    name: Name
    direction: Annotated[str, words(["down", "up"])]
    frequency_mhz: Annotated[float, number(1, 300_000, "MHz", "a frequency")]
    power_dbw: Decibels = 0.0
    line_loss_db: Loss = 0.0
    antenna: AntennaSection = AntennaSection()
    station_gain_dbi: Gain = 0.0
    noise_temperature_k: Annotated[float, number(1, 100_000, "K", "a temperature")] = 290.0
    bit_rate_bps: Annotated[float, number(0.001, what="bits a second")] = 1_000.0
    required_eb_n0_db: Decibels = 9.6
    other_losses_db: Loss = 0.0
    required_margin_db: Decibels = 3.0
    turnaround: Ratio | None = None
    atmosphere: AtmosphereSection | None = Field(default=None)

    @model_validator(mode="after")
    def _air_is_known(self) -> LinkSection:
        if self.atmosphere is not None and self.frequency_mhz > GREATEST_WITH_AIR_MHZ:
            expected = f"at most {GREATEST_WITH_AIR_MHZ:g} MHz with atmosphere (ITU-R P.618)"
            raise_at(("frequency_mhz",), expected)
        return self
