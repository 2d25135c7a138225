"""What a calendar says: contacts, command windows, and what runs out aboard."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from contactd.core import instants
from contactd.core.allocation.result import Grant
from contactd.core.contacts.contact import Contact
from contactd.core.ground.station import Station
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import StepForecast
from contactd.mission.texts.notice import NOTICE

CONTACT, WINDOW, STEP, STOP_BY, KEEP_CLEAR = "contact", "window", "step", "stop-by", "keep-clear"
GRANT = "station time"
KINDS = (CONTACT, WINDOW, STEP)
"""What may be asked for; ``step`` brings stop-by and keep-clear with it."""

COMMAND = "command"
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

    @property
    def name(self) -> str:
        """An identifier that stays the same when the event moves a little.

        It is worked out from the matter and, coarsely, the time. An event that moves across a
        border of the coarse time gets another name, unless it is matched with what was published
        before: see ``contactd.faces.export.calendar``.
        """
        middle = (self.start + self.end) / 2
        when = 0 if self.kind in (STEP, STOP_BY, KEEP_CLEAR) else round(middle / NAMED_BY_S)
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
        found += [_contact(each, stations.get(each.station)) for each in outlook.contacts]
    if WINDOW in wanted:
        for station, coverage in outlook.services.get(COMMAND, {}).items():
            found += [
                _window(outlook, station, start, end, stations.get(station))
                for start, end in coverage.nominal
            ]
    if STEP in wanted:
        for forecast in outlook.forecasts:
            for step in forecast.steps:
                found += _steps(step)
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
                    f"From {_text(grant.start)} until {_text(grant.end)}",
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


def _contact(contact: Contact, station: Station | None) -> Event:
    summary = f"{contact.target} over {contact.station}"
    lines = []
    if contact.cut_at_start:
        lines.append("In view before this.")
    else:
        lines.append(f"AOS {_text(contact.aos)} at azimuth {contact.aos_azimuth_deg:.0f} deg")
    if not contact.cut_at_start and not contact.cut_at_end:
        summary += f", up to {contact.max_elevation_deg:.0f} deg"
        lines.append(
            f"TCA {_text(contact.tca)} at azimuth {contact.tca_azimuth_deg:.0f} deg, "
            f"{contact.max_elevation_deg:.0f} deg high, {contact.tca_range_km:.0f} km away"
        )
    if contact.cut_at_end:
        lines.append("In view after this.")
    else:
        lines.append(f"LOS {_text(contact.los)} at azimuth {contact.los_azimuth_deg:.0f} deg")
    return Event(
        CONTACT,
        f"{contact.target}/{contact.station}",
        contact.aos,
        contact.los,
        summary,
        "\n".join(lines),
        contact.station,
        _position(station),
        contact.cut_at_start,
        contact.cut_at_end,
    )


def _window(
    outlook: TargetOutlook, name: str, start: float, end: float, station: Station | None
) -> Event:
    opens_before, closes_after = start <= outlook.span[0], end >= outlook.span[1]
    first = "Open before this" if opens_before else f"From {_text(start)}"
    last = "open after this" if closes_after else f"until {_text(end)}"
    return Event(
        WINDOW,
        f"{outlook.target}/{name}",
        start,
        end,
        f"Command window: {outlook.target} from {name}",
        f"{first}, {last}",
        name,
        _position(station),
        opens_before,
        closes_after,
    )


def _steps(step: StepForecast) -> Iterable[Event]:
    """The step's expiry, and its stop-by and keep-clear where it has them."""
    if step.earliest is None or step.latest is None:
        return
    about = f"{step.target}/{step.sequence}/{step.step}"
    covered = "" if step.coverage is None else f" ({step.coverage})"
    lines = [
        f"Runs out from {_text(math.floor(step.earliest))} to {_text(math.ceil(step.latest))}",
        *step.reasons,
    ]
    if step.hazard:
        lines += [f"Hazard: {step.hazard}", NOTICE]
    text = "\n".join(lines)
    yield Event(STEP, about, step.earliest, step.latest, f"{about} runs out{covered}", text)
    if step.stop_by is not None:
        station = f" from {step.stop_station}" if step.stop_station else ""
        yield Event(
            STOP_BY,
            about,
            step.stop_by,
            step.stop_by,
            f"Last stop of {about}{station}",
            f"A stop must be sent by {_text(math.floor(step.stop_by))}{station}.\n{NOTICE}",
            step.stop_station or "",
        )
    if step.keep_clear is not None:
        start, end = step.keep_clear
        text = f"Nobody near from {_text(math.floor(start))} to {_text(math.ceil(end))}.\n{NOTICE}"
        yield Event(KEEP_CLEAR, about, start, end, f"Keep clear: {about}", text)


def _position(station: Station | None) -> tuple[float, float] | None:
    return None if station is None else (station.latitude_deg, station.longitude_deg)


def _text(instant: float) -> str:
    return instants.to_text(instant, 0)
