"""From configuration and knowledge to an outlook: pure functions, one target at a time.

A prediction (contacts and coverage) depends on elements, stations and the span; a forecast on a
prediction, what is known of the sequence, and the present. They are apart because a new reading
must not cost a new prediction.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from contactd.core.allocation.result import Granted, allocated
from contactd.core.contacts.bounded import bounded
from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.coverage import Seen, in_service, seen_from, services
from contactd.core.contacts.fleet import predict_fleet
from contactd.core.contacts.horizon import horizon_of
from contactd.core.contacts.missed import without_missed
from contactd.core.contacts.prediction import crossings, predict
from contactd.core.contacts.reach import Reach, reach_of
from contactd.core.contacts.spread import ContactSpreads, contact_spreads
from contactd.core.contacts.table import ContactTable
from contactd.core.errors import PropagationError
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S, ut1_error_s
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit.orbit_error import EXACT, OrbitError
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.track import Track
from contactd.core.outlook import ElementsInUse, TargetOutlook
from contactd.core.record import Record
from contactd.core.sequences.coverage import Conditions, Services
from contactd.core.sequences.expiry import timeline
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.knowledge import SequenceKnowledge
from contactd.core.sequences.model import NextCommand
from contactd.core.sequences.needs import Condition
from contactd.core.target import Target

if TYPE_CHECKING:
    from contactd.core.orbit.manoeuvres import Fan

__all__ = [
    "FARTHEST_AHEAD_S",
    "Prediction",
    "Target",
    "as_stated",
    "forecast_target",
    "look_ahead",
    "next_turn",
    "predict_target",
    "wanted_until",
]

LIGHT_SPEED_KM_S = 299_792.458
EARTH_MU_KM3_S2 = 398_600.8  # WGS 72, as SGP4 has it
EARTH_RADIUS_KM = 6378.135
HIGHEST_SLACK = 1.01
SUN_TURNS_KM_S = 0.01
"""So fast the Earth's shadow moves at geostationary height (and slower below), for the Sun moves a
degree a day: what a satellite that is so many seconds off finds elsewhere."""
# Steps farther ahead than this are not worth predicting: elements say nothing useful of them.
FARTHEST_AHEAD_S = 60 * DAY_S
CONFIRMED_WITHIN_S = DAY_S / 2


@dataclass(frozen=True, slots=True)
class Prediction:
    """A target's contacts and coverage over a span, and the conditions that its steps ask about.

    Attributes:
        outlook: without forecasts yet.
        conditions: computed only as far as some step needs them.
        light_time_s: bound of the one-way light time in any contact.
        asked: (start, end) instants (s) that were asked for; the outlook's span may be shorter.
        half_period_s: half of the orbit's period.
        motion: what it rests on: the target without sequences, and with the one element set used.
    """

    outlook: TargetOutlook
    conditions: Conditions
    light_time_s: float = 0.0
    asked: tuple[float, float] | None = None
    half_period_s: float = 0.0
    motion: Target | None = None

    @property
    def reaches(self) -> tuple[float, float]:
        """(start, end) instants (s) within which nothing more can be had by asking again."""
        return self.outlook.span if self.asked is None else self.asked


def predict_target(
    target: Target,
    stations: Sequence[Station],
    span: tuple[float, float],
    now: float,
    compiled: bool = False,
) -> Prediction:
    """Contacts and coverage of one target. What cannot be predicted is said in ``problem``.

    Args:
        span: (start, end) instants (s).
        now: instant (s) that chooses the element set and its age.
        compiled: whether to use the compiled path, which pays for one of many targets.
    """
    empty = TargetOutlook(target.name, span)
    epoch = target.epoch(now)
    if epoch is None:
        problem = "there are no elements of it yet"
        return Prediction(replace(empty, problem=problem), Conditions(), asked=span)
    error = target.error_at(now)
    in_use = ElementsInUse(
        epoch=epoch,
        source=target.elements_source,
        stale_after_s=target.stale_after_s,
        timing_error_s=error.at_age_s(now - epoch),
        error=error,
    )
    motion = target.motion_at(now)
    nothing = Prediction(replace(empty, elements=in_use), Conditions(), asked=span, motion=motion)
    try:
        track = target.track(now, span)
        fan = target.fan(now, span)
    except (PropagationError, ValueError) as failure:
        problem = failure.reason if isinstance(failure, PropagationError) else str(failure)
        return replace(nothing, outlook=replace(nothing.outlook, problem=problem))
    assert track is not None
    reach = reach_of(track, span, now)
    contacts = predict_fleet([track], stations, *reach.span, compiled=compiled)
    at_hand = _AtHand(target, stations, track, fan, reach, now, compiled)
    light_time_s = at_hand.longest_light_time_s(now)
    if not error.is_exact:
        # What a station receives left the target so much earlier; what it sends arrives later.
        error = error.widened(light_time_s)
        # The Earth may have turned a little more or less than is known.
        highest_km = math.hypot(light_time_s * LIGHT_SPEED_KM_S, EARTH_RADIUS_KM)
        error = error.with_earth_turned(float(ut1_error_s(reach.span[1])), highest_km)
    at_hand.known_within(error, contacts)
    # A gap is told as one; where only elements can fail, what they say of it is the problem.
    failures = [each.reason for each in contacts.problems] if target.is_plain else []
    outlook = replace(
        nothing.outlook,
        span=reach.span,
        contacts=contacts,
        spreads=at_hand.spreads(contacts),
        in_view=at_hand.in_view(),
        services=at_hand.services(),
        gaps=reach.gaps,
        open_contacts=at_hand.open_contacts(),
        problem=reach.problem or "; ".join(failures) or None,
    )
    return replace(
        nothing,
        outlook=outlook,
        conditions=at_hand.conditions(),
        light_time_s=light_time_s,
        half_period_s=at_hand.half_period_s,
    )


def forecast_target(
    target: Target,
    prediction: Prediction,
    knowledge: Mapping[str, SequenceKnowledge],
    now: float,
    granted: Granted | None = None,
    missed: Sequence[Record] = (),
    looked_back_to: float = -math.inf,
    stations: Mapping[str, Station] | None = None,
) -> TargetOutlook:
    """The outlook with the forecast of each of the target's sequences.

    Args:
        knowledge: what the ledger knows, by sequence name; a missing one is as configured.
        now: instant (s).
        granted: antenna time that the target was given, by station; None if all is its own.
        missed: records of contacts that were missed: they cover nothing.
        looked_back_to: instant (s); nothing earlier counts, however far back the prediction goes,
            so that everyone who looks back as far says the same.
        stations: with what is stated of them since they were predicted with; None for nothing.
    """
    if stations is not None:
        prediction = as_stated(prediction, stations)
    outlook = prediction.outlook
    if missed:
        served = without_missed(outlook.services, outlook.contacts, missed)
        outlook = replace(outlook, services=served)
    if granted is not None:
        outlook = replace(outlook, services=allocated(outlook.services, granted), granted=granted)
    forecasts = tuple(
        forecast(
            sequence,
            knowledge.get(sequence.name, SequenceKnowledge()),
            outlook.services,
            now,
            (max(outlook.span[0], looked_back_to), outlook.span[1]),
            conditions=prediction.conditions,
            light_time_s=prediction.light_time_s,
        )
        for sequence in target.sequences
    )
    return replace(outlook, forecasts=forecasts)


def as_stated(prediction: Prediction, stations: Mapping[str, Station]) -> Prediction:
    """The prediction with what is stated of its stations, by whomever it was made before that."""
    services = in_service(prediction.outlook.services, stations)
    if services is prediction.outlook.services:
        return prediction
    return replace(
        prediction,
        outlook=replace(prediction.outlook, services=services),
        conditions=replace(prediction.conditions, degraded=_degraded(stations.values())),
    )


def look_ahead(
    target: Target,
    stations: Sequence[Station],
    knowledge: Mapping[str, SequenceKnowledge],
    span: tuple[float, float],
    now: float,
    granted: Granted | None = None,
    missed: Sequence[Record] = (),
) -> TargetOutlook:
    """Prediction and forecasts of one target in one go; reaching past the span if steps do."""
    reach = min(wanted_until(target, knowledge), now + FARTHEST_AHEAD_S)
    span = (span[0], max(span[1], reach))
    prediction = predict_target(target, stations, span, now)
    return forecast_target(target, prediction, knowledge, now, granted, missed, span[0])


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


def next_turn(outlook: TargetOutlook, now: float, back_s: float = math.inf) -> float:
    """The next instant (s) after ``now`` at which a forecast may change; else infinity.

    Args:
        back_s: how far is looked back (s): what expired before that is not judged any more.
    """
    turns = [
        turn
        for forecast_ in outlook.forecasts
        for step in forecast_.steps
        for turn in (
            step.earliest,
            step.latest,
            step.stop_by,
            *(step.keep_clear or ()),
            *(moment for each in step.stop_chances for moment in (each.opens, each.closes)),
            *_of_next_command(step.next_command),
            *(high for _, high in step.parts),
            *(
                step.earliest - need.before_s + back_s
                for need in step.needs
                if step.earliest is not None
            ),
        )
        if turn is not None and turn > now
    ]
    return min(turns, default=math.inf)


def _of_next_command(needed: NextCommand | None) -> tuple[float, ...]:
    """Instants (s) at which the next command's limit, or the windows before it, change."""
    if needed is None:
        return ()
    return needed.limit, *(closes for _, _, closes in needed.last_windows)


def _degraded(stations: Iterable[Station]) -> dict[str, IntervalSet]:
    return {each.name: each.degraded for each in stations if each.degraded}


class _AtHand:
    """One target's prediction while it is made."""

    def __init__(
        self,
        target: Target,
        stations: Sequence[Station],
        track: Track,
        fan: Fan | None,
        reach: Reach,
        now: float,
        compiled: bool,
    ) -> None:
        self.target = target
        self.stations = stations
        self.track = track
        self.fan = fan
        self.reach = reach
        epoch = target.epoch(now)
        assert epoch is not None
        self.epoch = epoch
        self.compiled = compiled
        self.error = EXACT
        self.seen: list[Seen] = []

    def known_within(self, error: OrbitError, contacts: ContactTable) -> None:
        """Look at all horizons for every motion within an error; contacts are the nominal ones."""
        self.error = error
        if self.fan is None:
            self.seen = [
                seen_from(self.track, self.stations, contacts, error, self.epoch, self.compiled)
            ]
            return
        from contactd.core.contacts.fanned import fanned_seen

        self.seen = fanned_seen(self.fan, self.fan_contacts, self.stations, error, self.epoch)

    def spreads(self, contacts: ContactTable) -> ContactSpreads | None:
        """How far each contact may be off."""
        if self.fan is not None:
            return None
        return contact_spreads(self.track, self.stations, contacts, self.error, self.epoch)

    def in_view(self) -> Mapping[str, Coverage]:
        """When it stands above each station's horizon."""
        if self.fan is None:
            (seen,) = self.seen
            return {
                station.name: seen[station.name, station.least_elevation_deg].coverage
                for station in self.stations
            }
        from contactd.core.contacts.fanned import fanned_in_view

        return fanned_in_view(self.seen, self.stations, self.half_period_s)

    @cached_property
    def half_period_s(self) -> float:
        """Half of the orbit's period."""
        if isinstance(self.track, Sgp4Track):
            return DAY_S / self.track.elements.mean_motion_rev_per_day / 2
        from contactd.core.contacts.fanned import half_period_s

        return half_period_s(self.track, self.reach.span)

    def services(self) -> Services:
        """Coverage by service and station."""
        span, links = self.reach.span, self.target.links_by_name
        if self.fan is None:
            (seen,) = self.seen
            return services(self.track, self.stations, seen, self.error, self.epoch, *span, links)
        from contactd.core.contacts.fanned import fanned_services

        return fanned_services(
            self.fan, self.seen, self.stations, self.error, self.epoch, span, links,
            self.half_period_s,
        )  # fmt: skip

    @cached_property
    def fan_contacts(self) -> list[ContactTable]:
        """The contacts of each member of the fan."""
        members = () if self.fan is None else self.fan.members
        return [predict([track], self.stations, *self.reach.span) for _, track in members]

    def open_contacts(self) -> Mapping[str, IntervalSet]:
        """When it may be in view of each station, while planned manoeuvres leave that open."""
        if self.fan is None:
            return {}
        from contactd.core.contacts.fanned import fanned_contacts

        return {
            station: IntervalSet.of(each for each in seen if each[1] > self.fan.opens)
            for station, seen in fanned_contacts(self.fan_contacts, self.half_period_s).items()
        }

    def conditions(self) -> Conditions:
        """What the steps' needs ask for beside services."""
        asked = {
            condition
            for each in self.target.sequences
            for step in each.steps
            for need in step.needs
            for condition in need.conditions
        }
        met: dict[tuple[Condition, str], Coverage] = {}
        for condition in asked:
            for station in self.stations if condition.of_station else (None,):
                name = "" if station is None else station.name
                met[condition, name] = condition.holds(self, station)
        return Conditions(
            met=met,
            gaps=self.reach.gaps,
            open_from=math.inf if self.fan is None else self.fan.opens,
            degraded=_degraded(self.stations),
        )

    def above(self, station: Station, elevation_deg: float) -> Coverage:
        """When the target stands so high."""
        horizon = horizon_of(station, elevation_deg)

        def above(track: Track) -> Coverage:
            nominal = crossings(track, station, elevation_deg, *self.reach.span)
            if self.error.is_exact:
                return Coverage(nominal, nominal, nominal)
            (found,) = bounded(track, [horizon], self.error, self.epoch, *self.reach.span)
            return Coverage(nominal, found.certain, found.possible | (nominal - found.looked_at))

        return self._whatever_comes(above)

    def sunlight(self) -> Coverage:
        """When the target is in sunlight.

        The Sun does not move to speak of while a satellite does the distance of its orbit's error:
        one that runs late by so many seconds meets light and shadow so many seconds later.
        """
        from contactd.core.orbit.eclipse import sunlight

        moved_km = self.error.displacement_km + SUN_TURNS_KM_S * self._most_off_s
        return self._whatever_comes(
            lambda track: self._offset_in_time(sunlight(track, *self.reach.span, moved_km))
        )

    def darkness(self, station: Station) -> Coverage:
        """When a station is in darkness."""
        from contactd.core.orbit.sun import dark_intervals

        night = dark_intervals(station, IntervalSet.of([self.reach.span]))
        return Coverage(night, night, night)

    @property
    def _most_off_s(self) -> float:
        """Greatest along-track bound (s) within the span."""
        return max(self.error.at_age_s(each - self.epoch) for each in self.reach.span)

    def _offset_in_time(self, known: Coverage) -> Coverage:
        """What depends on the place in space alone, for every motion within the error."""
        start, end = self.reach.span
        error_s = self._most_off_s
        # At the ends of the span it is not known what a motion so much off brings in or takes out.
        ends = (
            IntervalSet.of([(start, start + error_s), (end - error_s, end)]) if error_s else EMPTY
        )
        return Coverage(
            known.nominal,
            known.certain.shrink(error_s, error_s) - ends,
            (known.possible.grow(error_s, error_s) | ends).clip(start, end),
        )

    def _whatever_comes(self, of: Callable[[Track], Coverage]) -> Coverage:
        """What holds whatever comes of planned manoeuvres."""
        if self.fan is None:
            return of(self.track)
        from contactd.core.contacts.fanned import fanned

        return fanned(self.fan, of, self.half_period_s, EMPTY)

    def longest_light_time_s(self, now: float) -> float:
        """Bound of the one-way light time to any station that sees the target.

        The slant range at the true horizon from the highest place, sqrt(r² − R²) (Wertz & Larson,
        Space Mission Analysis and Design, section 5.2, value from memory).
        """
        elements = self.target.elements_for(now)
        if self.target.is_plain and elements is not None:
            mean_motion_rad_s = elements.mean_motion_rev_per_day * math.tau / DAY_S
            semi_major_axis_km = (EARTH_MU_KM3_S2 / mean_motion_rad_s**2) ** (1 / 3)
            highest_km = semi_major_axis_km * (1 + elements.eccentricity)
        else:
            highest_km = HIGHEST_SLACK * self._highest_km()
        return math.sqrt(max(highest_km**2 - EARTH_RADIUS_KM**2, 0.0)) / LIGHT_SPEED_KM_S

    def _highest_km(self) -> float:
        """Greatest distance from the Earth's centre, at moments a tenth of a radian apart."""
        members = [self.track] if self.fan is None else [track for _, track in self.fan.members]
        highest_km = 0.0
        for track in members:
            step_s = max(0.1 / track.fastest_rate_rad_s, 1.0)
            for start, end in track.validity.clip(*self.reach.span):
                at = np.arange(start, end, step_s)
                distances_km = np.linalg.norm(track.states(at)[0], axis=1)
                highest_km = max(highest_km, float(np.nanmax(distances_km)))
        return highest_km
