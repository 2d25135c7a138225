"""What a calendar says: contacts, command windows, and what comes aboard."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from contactd.core.allocation.result import Grant
from contactd.core.contacts.contact import Contact
from contactd.core.ground.station import Station
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import StepForecast
from contactd.mission.agenda import Kind, Row, contact_rows, rows_of, window_rows
from contactd.mission.texts.cause import reasons_of
from contactd.mission.texts.notice import NOTICE
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, Safe, moment, outer

CONTACT, WINDOW, STEP, STOP_BY, KEEP_CLEAR = "contact", "window", "step", "stop-by", "keep-clear"
STOP_CHANCE, NEXT_COMMAND, START, GRANT = "stop-chance", "next-command", "start", "station time"
KINDS = (CONTACT, WINDOW, STEP)
"""What may be asked for; ``step`` brings stops, keep-clear and its sequence's start with it."""
_OF_KIND = {
    Kind.CONTACT: CONTACT,
    Kind.WINDOW: WINDOW,
    Kind.EXPIRY: STEP,
    Kind.STOP_BY: STOP_BY,
    Kind.STOP_CHANCE: STOP_CHANCE,
    Kind.NEXT_COMMAND: NEXT_COMMAND,
    Kind.KEEP_CLEAR: KEEP_CLEAR,
    Kind.START: START,
}

# Contacts of one target over one station are farther apart than this, or one longer contact.
NAMED_BY_S = 1800.0


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of a calendar.

    Attributes:
        kind: one of the words above.
        about: what it is of, such as ``Lantern 3/Nordhavn``: events of the same kind and of the
            same matter are the same event when they overlap.
        start, end: instants (s).
        summary: one line. description: more, in lines.
        location: the station's name, or "".
        position: the station's latitude and longitude (deg), or None.
        opens_before, closes_after: it goes on beyond the predicted span, so that this end of it is
            only where the prediction ends.
        safe: which way the start and the end may be published wrong.
        usable: False where the station is out of service for all of it.
    """

    kind: str
    about: str
    start: float
    end: float
    summary: str
    description: str
    location: str = ""
    position: tuple[float, float] | None = None
    opens_before: bool = False
    closes_after: bool = False
    safe: tuple[Safe, Safe] = (NO_LATER, NO_EARLIER)
    usable: bool = True

    @property
    def name(self) -> str:
        """An identifier that stays the same when the event moves a little.

        It is worked out from the matter and, coarsely, the time. An event that moves across a
        border of the coarse time gets another name, unless it is matched with what was published
        before: see ``contactd.faces.export.calendar``.
        """
        middle = (self.start + self.end) / 2
        when = (
            0
            if self.kind in (STEP, STOP_BY, NEXT_COMMAND, KEEP_CLEAR, START)
            else round(middle / NAMED_BY_S)
        )
        text = "\x1f".join((self.kind, self.about, str(when)))
        return f"{hashlib.sha256(text.encode()).hexdigest()[:32]}@contactd"


@dataclass(frozen=True, slots=True)
class Scope:
    """What was asked for: the kinds, and the targets and stations (None: all)."""

    kinds: frozenset[str]
    targets: frozenset[str] | None = None
    stations: frozenset[str] | None = None

    def covers(self, kind: str, about: str) -> bool:
        """Whether an event of that kind about that would have been among the events."""
        target, _, rest = about.partition("/")
        asked = kind if kind in (CONTACT, WINDOW) else STEP
        return (
            asked in self.kinds
            and (self.targets is None or target in self.targets)
            and (self.stations is None or asked == STEP or rest in self.stations)
        )


def events_of(
    outlook: TargetOutlook, stations: Mapping[str, Station], kinds: Iterable[str]
) -> list[Event]:
    """A target's events of the kinds that were asked for, ordered by start."""
    wanted = set(kinds)
    found: list[Event] = []
    if CONTACT in wanted:
        found += [_event(row, stations, outlook) for row in contact_rows(outlook, stations)]
    if WINDOW in wanted:
        found += [_event(row, stations, outlook) for row in window_rows(outlook, stations)]
    if STEP in wanted:
        found += [_event(row, stations, outlook) for row in rows_of(outlook)]
    return sorted(found, key=lambda each: (each.start, each.kind, each.about))


def grant_events(grants: Iterable[Grant], stations: Mapping[str, Station]) -> list[Event]:
    """Station time that was granted, ordered by start."""
    found = [
        Event(
            GRANT,
            f"{grant.target}/{grant.station}",
            grant.start,
            grant.end,
            f"{grant.station} for {grant.target}",
            "\n".join(
                [
                    f"From {outer(grant.start, grant.end)}",
                    *(f"For {name}" for name in grant.requests),
                    *(
                        [f"Takes over from {grant.takes_over_from}"]
                        if grant.takes_over_from
                        else []
                    ),
                ]
            ),
            grant.station,
            _position(stations.get(grant.station)),
        )
        for grant in grants
    ]
    return sorted(found, key=lambda each: (each.start, each.about))


def _event(row: Row, stations: Mapping[str, Station], outlook: TargetOutlook) -> Event:
    opens_before = row.kind is Kind.WINDOW and row.from_s <= outlook.span[0]
    if row.contact is not None:
        opens_before = row.contact.cut_at_start
    return Event(
        _OF_KIND[row.kind],
        row.about if row.sequence else f"{row.target}/{row.station}",
        row.from_s,
        row.to_s,
        f"{row.target}: {row.text}",
        "\n".join(_lines(row, outlook, opens_before)),
        row.station,
        _position(stations.get(row.station)),
        opens_before,
        row.ended_by_prediction,
        row.safe,
        not row.out_of_service,
    )


def _lines(row: Row, outlook: TargetOutlook, opens_before: bool) -> Iterator[str]:
    """A calendar's longer text; the same times as the event has, in words."""
    if row.contact is not None:
        if row.out_of_service:
            yield "The station is out of service. Do not plan on this contact."
        yield from _contact(row.contact)
    elif row.kind is Kind.WINDOW:
        first, last = moment(row.from_s, row.safe[0]), moment(row.to_s, row.safe[1])
        yield (
            f"{'Open before this' if opens_before else f'From {first}'}, "
            f"{'open after this' if row.ended_by_prediction else f'to {last}'}"
        )
    else:
        yield row.when()
    step = _step_of(row, outlook)
    if step is not None and row.kind is Kind.EXPIRY:
        yield from reasons_of(step)
    if step is not None and (step.hazard or row.kind is not Kind.EXPIRY):
        yield NOTICE


def _step_of(row: Row, outlook: TargetOutlook) -> StepForecast | None:
    for forecast in outlook.forecasts:
        for step in forecast.steps:
            if (step.sequence, step.step) == (row.sequence, row.step):
                return step
    return None


def _contact(contact: Contact) -> Iterator[str]:
    if contact.cut_at_start:
        yield "In view before this."
    else:
        azimuth = f"azimuth {contact.aos_azimuth_deg:.0f} deg"
        yield f"AOS {moment(contact.aos, NO_LATER)} at {azimuth}"
    if not contact.cut_at_start and not contact.cut_at_end:
        yield (
            f"TCA {moment(contact.tca, NEAREST)} at azimuth {contact.tca_azimuth_deg:.0f} deg, "
            f"{contact.max_elevation_deg:.0f} deg high, {contact.tca_range_km:.0f} km away"
        )
    if contact.cut_at_end:
        yield "In view beyond the prediction's end."
    else:
        azimuth = f"azimuth {contact.los_azimuth_deg:.0f} deg"
        yield f"LOS {moment(contact.los, NO_LATER)} at {azimuth}"


def _position(station: Station | None) -> tuple[float, float] | None:
    return None if station is None else (station.latitude_deg, station.longitude_deg)
