"""``stations/*.yaml``: one ground station a file."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from contactd.config.sections import Many, Section, Spans, raise_at
from contactd.config.types import (
    Altitude,
    Azimuth,
    Duration,
    Elevation,
    Latitude,
    Longitude,
    Name,
    Truth,
    number,
)

Rate = Annotated[float, number(0.001, 100, what="degrees a second")]


class ServiceSection(Section):
    """What one service asks of a contact."""

    least_elevation_deg: Elevation = 0.0
    acquisition_s: Duration = Field(default=0.0, alias="acquisition")
    guard_s: Duration = Field(default=0.0, alias="guard")
    link: Name | None = None


class MountSection(Section):
    """What an elevation-over-azimuth mount can follow."""

    highest_elevation_deg: Annotated[float, number(1, 90, what="degrees")] = 90.0
    azimuth_rate_deg_s: Rate | None = None
    elevation_rate_deg_s: Rate | None = None
    half_beam_deg: Annotated[float, number(0, 45, what="degrees")] = 0.0


class StationFile(Section):
    """A ground antenna: where it stands, what it sees, what it can do, when it is out."""

    name: Name
    latitude_deg: Latitude
    longitude_deg: Longitude
    altitude_m: Altitude = 0.0
    least_elevation_deg: Elevation = 0.0
    mask: Many[tuple[Azimuth, Elevation]] = ()
    refraction: Truth = False
    antenna: MountSection = MountSection()
    sun_exclusion_deg: Annotated[float, number(0, 90, what="degrees")] = 0.0
    signal_horizon_deg: Annotated[float, number(-10, 90, what="degrees")] | None = None
    services: Annotated[dict[Name, ServiceSection], Field(default_factory=dict, max_length=20)]
    outages: Spans = ()
    setup_s: Duration = Field(default=0.0, alias="setup")
    teardown_s: Duration = Field(default=0.0, alias="teardown")

    @model_validator(mode="after")
    def _mount_reaches_up(self) -> StationFile:
        if self.antenna.highest_elevation_deg <= self.least_elevation_deg:
            expected = f"more than the least elevation of {self.least_elevation_deg:g}°"
            raise_at(("antenna", "highest_elevation_deg"), expected)
        return self

    @model_validator(mode="after")
    def _mask_goes_round(self) -> StationFile:
        for index, (before, after) in enumerate(zip(self.mask, self.mask[1:], strict=False)):
            if after[0] <= before[0]:
                place = ("mask", index + 1, 0)
                raise_at(place, f"an azimuth after the {before[0]:g}° of the point before it")
        if self.mask and self.mask[-1][0] == 360 and self.mask[0][0] == 0:
            wanted = self.mask[0][1]
            if self.mask[-1][1] != wanted:
                place = ("mask", len(self.mask) - 1, 1)
                raise_at(place, f"{wanted:g}, for azimuths 360° and 0° are the same")
        return self
