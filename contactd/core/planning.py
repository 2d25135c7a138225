"""From configuration and knowledge to an outlook: pure functions, one target at a time.

A prediction (contacts and coverage) depends on elements, stations and the span; a forecast on a
prediction, what is known of the sequence, and the present. They are apart because a new reading
must not cost a new prediction.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.coverage import services
from contactd.core.contacts.prediction import crossings, predict
from contactd.core.errors import PropagationError
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.elements import ElementSet, TimingError
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.track import Track
from contactd.core.outlook import ElementsInUse, TargetOutlook
from contactd.core.sequences.expiry import timeline
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.knowledge import SequenceKnowledge
from contactd.core.sequences.model import Need
from contactd.core.sequences.model import Sequence as TimedSequence
from contactd.core.sequences.viewing import Conditions

LIGHT_SPEED_KM_S = 299_792.458
EARTH_MU_KM3_S2 = 398_600.8  # WGS 72, as SGP4 has it
EARTH_RADIUS_KM = 6378.135
DEFAULT_STALE_AFTER_S = 7 * DAY_S
# Steps farther ahead than this are not worth predicting: elements say nothing useful of them.
FARTHEST_AHEAD_S = 60 * DAY_S
CONFIRMED_WITHIN_S = DAY_S / 2
NO_TIMING_ERROR = TimingError()


@dataclass(frozen=True, slots=True)
class Target:
    """A satellite that is watched.

    Attributes:
        elements: the sets known of it; the one nearest in epoch is used.
        elements_source: where they came from, for people.
        stale_after_s: age at which elements count as stale.
    """

    name: str
    elements: tuple[ElementSet, ...] = ()
    elements_source: str = ""
    timing_error: TimingError = NO_TIMING_ERROR
    stale_after_s: float = DEFAULT_STALE_AFTER_S
    sequences: tuple[TimedSequence, ...] = ()

    def elements_for(self, instant: float) -> ElementSet | None:
        """The set whose epoch is nearest to an instant (s); None if there is none."""
        return min(self.elements, key=lambda each: abs(each.age_s(instant)), default=None)


@dataclass(frozen=True, slots=True)
class Prediction:
    """A target's contacts and coverage over a span, and the conditions that its steps ask about.

    Attributes:
        outlook: without forecasts yet.
        conditions: computed only as far as some step needs them.
        light_time_s: bound of the one-way light time in any contact.
    """

    outlook: TargetOutlook
    conditions: Conditions
    light_time_s: float = 0.0


def predict_target(
    target: Target, stations: Sequence[Station], span: tuple[float, float], now: float
) -> Prediction:
    """Contacts and coverage of one target. What cannot be predicted is said in ``problem``.

    Args:
        span: (start, end) instants (s).
        now: instant (s) that chooses the element set and its age.
    """
    empty = TargetOutlook(target.name, span)
    elements = target.elements_for(now)
    if elements is None:
        return Prediction(replace(empty, problem="there are no elements of it yet"), Conditions())
    in_use = ElementsInUse(
        epoch=elements.epoch,
        source=target.elements_source,
        stale_after_s=target.stale_after_s,
        timing_error_s=target.timing_error.at_age_s(elements.age_s(now)),
    )
    try:
        track: Track = Sgp4Track(elements, target.name)
    except PropagationError as error:
        return Prediction(replace(empty, elements=in_use, problem=error.reason), Conditions())
    contacts = predict([track], stations, *span)
    coverage = services(track, stations, contacts, target.timing_error, elements.epoch, *span)
    needs = [need for each in target.sequences for step in each.steps for need in step.needs]
    outlook = replace(
        empty,
        elements=in_use,
        contacts=tuple(contacts),
        services=coverage,
        problem="; ".join(each.reason for each in contacts.problems) or None,
    )
    return Prediction(
        outlook=outlook,
        conditions=_conditions(needs, track, stations, target.timing_error, elements.epoch, span),
        light_time_s=_longest_light_time_s(elements),
    )


def forecast_target(
    target: Target,
    prediction: Prediction,
    knowledge: Mapping[str, SequenceKnowledge],
    now: float,
) -> TargetOutlook:
    """The outlook with the forecast of each of the target's sequences.

    Args:
        knowledge: what the ledger knows, by sequence name; a missing one is as configured.
        now: instant (s).
    """
    outlook = prediction.outlook
    forecasts = tuple(
        forecast(
            sequence,
            knowledge.get(sequence.name, SequenceKnowledge()),
            outlook.services,
            now,
            outlook.span,
            conditions=prediction.conditions,
            light_time_s=prediction.light_time_s,
        )
        for sequence in target.sequences
    )
    return replace(outlook, forecasts=forecasts)


def look_ahead(
    target: Target,
    stations: Sequence[Station],
    knowledge: Mapping[str, SequenceKnowledge],
    span: tuple[float, float],
    now: float,
) -> TargetOutlook:
    """Prediction and forecasts of one target in one go; reaching past the span if steps do."""
    reach = min(wanted_until(target, knowledge), now + FARTHEST_AHEAD_S)
    span = (span[0], max(span[1], reach))
    return forecast_target(target, predict_target(target, stations, span, now), knowledge, now)


def wanted_until(target: Target, knowledge: Mapping[str, SequenceKnowledge]) -> float:
    """Until when (instant, s) predictions must reach to judge every step; −infinity for none.

    That is the latest expiry of any step, what it needs after that, and some time in which it can
    be confirmed.
    """
    reach = -math.inf
    for sequence in target.sequences:
        line = timeline(sequence, knowledge.get(sequence.name, SequenceKnowledge()))
        for step in sequence.steps:
            expiry = line.expiries.get(step.name)
            if expiry is not None:
                after_s = max((need.after_s for need in step.needs), default=0.0)
                reach = max(reach, expiry.latest + after_s + CONFIRMED_WITHIN_S)
    return reach


def next_turn(outlook: TargetOutlook, now: float) -> float:
    """The next instant (s) after ``now`` at which a forecast's status may change; else infinity."""
    turns = [
        turn
        for forecast_ in outlook.forecasts
        for step in forecast_.steps
        for turn in (step.earliest, step.latest, step.stop_by, *(step.keep_clear or ()))
        if turn is not None and turn > now
    ]
    return min(turns, default=math.inf)


def _conditions(
    needs: Iterable[Need],
    track: Track,
    stations: Sequence[Station],
    timing_error: TimingError,
    epoch: float,
    span: tuple[float, float],
) -> Conditions:
    given = list(needs)
    elevations = {need.least_elevation_deg for need in given} - {0.0}
    above: dict[tuple[str, float], Coverage] = {}
    for elevation_deg in sorted(elevations):
        for station in stations:
            nominal = crossings(track, station, elevation_deg, *span)
            error_s = max(timing_error.at_age_s(end - epoch) for end in span)
            above[station.name, elevation_deg] = Coverage(
                nominal, nominal.shrink(error_s, error_s), nominal.grow(error_s, error_s)
            )
    sunlit = None
    if any(need.sunlit is not None for need in given):
        from contactd.core.orbit.eclipse import sunlit_intervals

        sunlit = sunlit_intervals(track, *span)
    dark: dict[str, IntervalSet] | None = None
    if any(need.dark_station for need in given):
        from contactd.core.orbit.sun import dark_intervals

        dark = {station.name: dark_intervals(station, *span) for station in stations}
    return Conditions(sunlit=sunlit, dark=dark, above=above)


def _longest_light_time_s(elements: ElementSet) -> float:
    """Bound of the one-way light time to any station that has the target above its horizon.

    The slant range at the true horizon from apogee, sqrt(r² − R²) (Wertz & Larson, Space Mission
    Analysis and Design, section 5.2, value from memory), with r = a (1 + e).
    """
    mean_motion_rad_s = elements.mean_motion_rev_per_day * math.tau / DAY_S
    semi_major_axis_km = (EARTH_MU_KM3_S2 / mean_motion_rad_s**2) ** (1 / 3)
    apogee_km = semi_major_axis_km * (1 + elements.eccentricity)
    return math.sqrt(max(apogee_km**2 - EARTH_RADIUS_KM**2, 0.0)) / LIGHT_SPEED_KM_S
