"""``elements``, ``spacecraft`` and ``manoeuvres`` of a target's file: how the satellite moves."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, model_validator

from contactd.config.sections import OneOrMany, Section, raise_at
from contactd.config.types import (
    Duration,
    Instant,
    Kind,
    PositiveDuration,
    Refused,
    TextOrFile,
    Truth,
    WebAddress,
    duration,
    integer,
    number,
    words,
)

DAY_S = 86_400.0
SOURCES = ("omm", "tle", "url", "oem", "opm", "kepler", "state")
EARTH_RADIUS_KM = 6_378.1
LEAST_ALTITUDE_KM = 90.0
"""Nothing stays in orbit lower than this."""
FARTHEST_KM = 500_000.0
FASTEST_KM_S = 20.0

Angle = Annotated[float, number(-360, 360, what="an angle in degrees")]
Kilometres = Annotated[float, number(-FARTHEST_KM, FARTHEST_KM, "km", "a coordinate")]
KilometresPerSecond = Annotated[
    float, number(-FASTEST_KM_S, FASTEST_KM_S, "km/s", "a velocity's component")
]
MetresPerSecond = Annotated[float, number(-10_000, 10_000, "m/s", "a velocity's component")]


def _frame(*frames: str) -> Kind:
    """A frame's name; years of the ITRF and older names are understood."""

    def read(value: Any) -> str:
        from contactd.core.orbit.inertial import frame_named

        if not isinstance(value, str):
            raise Refused
        name = value.strip().upper()
        found = name if name in frames else frame_named(name)
        if found not in frames:
            raise Refused
        return found

    return Kind(f"a frame: {', '.join(frames[:-1])} or {frames[-1]}", read)


EXACTLY = "exact"
"""For tests and rehearsals: the prediction itself is the truth."""

Displacement = Annotated[float, number(0, 1_000, "km", "a displacement")]


class TimingErrorSection(Section):
    """How far the motion may be from the predicted one: along the track in time, and across it."""

    at_epoch_s: Duration = Field(default=0.0, alias="at_epoch")
    per_day_s: Duration = Field(default=0.0, alias="per_day")
    per_day2_s: Duration = Field(default=0.0, alias="per_day2")
    radial_km: Displacement = 0.0
    cross_track_km: Displacement = 0.0
    exact: Truth = False

    @model_validator(mode="before")
    @classmethod
    def _word(cls, value: Any) -> Any:
        return {"exact": True} if value == EXACTLY else value

    @model_validator(mode="after")
    def _exact_alone(self) -> TimingErrorSection:
        if self.exact and len(self.model_fields_set) > 1:
            raise_at(("exact",), f"{EXACTLY} alone, or the figures without it")
        return self


class KeplerSection(Section):
    """Osculating elements of an ellipse."""

    epoch: Instant
    frame: Annotated[str, _frame("EME2000", "GCRF", "TEME")]
    semi_major_axis_km: Annotated[float, number(6_400, FARTHEST_KM, "km", "a semi-major axis")]
    eccentricity: Annotated[float, number(0, 0.99, what="an eccentricity")]
    inclination_deg: Annotated[float, number(0, 180, what="an inclination in degrees")]
    raan_deg: Angle
    argument_of_perigee_deg: Angle
    mean_anomaly_deg: Angle | None = None
    true_anomaly_deg: Angle | None = None

    @model_validator(mode="after")
    def _is_an_orbit(self) -> KeplerSection:
        given = (self.mean_anomaly_deg is not None) + (self.true_anomaly_deg is not None)
        if given != 1:
            expected = "mean_anomaly_deg or true_anomaly_deg"
            raise_at(("true_anomaly_deg",), expected, "both" if given else "neither")
        perigee_km = self.semi_major_axis_km * (1 - self.eccentricity) - EARTH_RADIUS_KM
        if perigee_km < LEAST_ALTITUDE_KM:
            expected = f"a perigee at least {LEAST_ALTITUDE_KM:g} km above the ground"
            raise_at(("semi_major_axis_km",), expected, f"one of {perigee_km:.0f} km")
        return self


class StateSection(Section):
    """Position and velocity at one moment."""

    epoch: Instant
    frame: Annotated[str, _frame("ITRF", "EME2000", "GCRF", "TEME")]
    position_km: tuple[Kilometres, Kilometres, Kilometres]
    velocity_km_s: tuple[KilometresPerSecond, KilometresPerSecond, KilometresPerSecond]

    @model_validator(mode="after")
    def _is_in_space(self) -> StateSection:
        distance_km = _length(self.position_km)
        if distance_km < EARTH_RADIUS_KM + LEAST_ALTITUDE_KM:
            expected = f"a place at least {LEAST_ALTITUDE_KM:g} km above the ground"
            raise_at(("position_km",), expected, f"one {distance_km:.0f} km from its centre")
        speed_km_s = _length(self.velocity_km_s)
        if speed_km_s > FASTEST_KM_S:
            expected = f"a speed of at most {FASTEST_KM_S:g} km/s"
            raise_at(("velocity_km_s",), expected, f"{speed_km_s:.1f} km/s")
        return self


def _length(vector: tuple[float, float, float]) -> float:
    return float(sum(part * part for part in vector) ** 0.5)


class ElementsSection(Section):
    """Where the elements come from, or what stands in their place, and how far it is believed."""

    omm: OneOrMany[TextOrFile] = ()
    tle: OneOrMany[TextOrFile] = ()
    url: WebAddress | None = None
    oem: TextOrFile | None = None
    opm: TextOrFile | None = None
    kepler: KeplerSection | None = None
    state: StateSection | None = None
    format: Annotated[str, words(["tle", "omm"])] | None = None
    least_interval_s: Annotated[float, duration(60.0, 30 * DAY_S)] | None = Field(
        default=None, alias="least_interval"
    )
    catalogue_number: Annotated[int, integer(0, 999_999_999, "a catalogue number")] | None = None
    timing_error: TimingErrorSection | None = None
    stale_after_s: PositiveDuration | None = Field(default=None, alias="stale_after")

    @model_validator(mode="after")
    def _one_source(self) -> ElementsSection:
        given = [source for source in SOURCES if getattr(self, source)]
        if not given:
            raise_at((), f"one source: {', '.join(SOURCES[:-1])} or {SOURCES[-1]}", "none")
        if len(given) > 1:
            raise_at((given[1],), f"one source of elements, and {given[0]} is given", "another")
        for key in ("format", "least_interval"):
            attribute = key if key == "format" else "least_interval_s"
            if self.url is None and getattr(self, attribute) is not None:
                raise_at((key,), f"no {key}: it belongs beside url")
        if self.catalogue_number is not None and given[0] not in ("omm", "tle", "url"):
            raise_at(("catalogue_number",), "no catalogue_number: it belongs beside omm, tle, url")
        return self


class SpacecraftSection(Section):
    """What air and sunlight act on, where motion is propagated numerically."""

    mass_kg: Annotated[float, number(0.001, 500_000, "kg", "a mass")] = 100.0
    drag_area_m2: Annotated[float, number(0, 10_000, "m²", "an area")] = 0.0
    drag_coefficient: Annotated[float, number(0, 10, what="a drag coefficient")] = 2.2
    density_factor: Annotated[float, number(0, 100, what="a factor of the air's density")] = 1.0
    radiation_area_m2: Annotated[float, number(0, 10_000, "m²", "an area")] = 0.0
    radiation_coefficient: Annotated[float, number(0, 3, what="a coefficient, 1 to 2")] = 1.3


class ManoeuvreSection(Section):
    """A planned manoeuvre, taken as an impulse, with the bounds within which it is known."""

    at: Instant
    delta_v_m_s: tuple[MetresPerSecond, MetresPerSecond, MetresPerSecond]
    frame: Annotated[str, _frame("RTN", "RSW", "TNW", "EME2000", "GCRF", "TEME")] = "RTN"
    give_or_take_s: Annotated[float, duration(greatest_s=DAY_S)] = Field(
        default=0.0, alias="give_or_take"
    )
    magnitude_error_percent: Annotated[float, number(0, 100, what="percent")] = 0.0
    may_not_happen: Truth = False

    @model_validator(mode="after")
    def _does_something(self) -> ManoeuvreSection:
        if not any(self.delta_v_m_s):
            raise_at(("delta_v_m_s",), "at least one component that is not 0", "no change at all")
        return self
