"""Columns of contacts on request: what an antenna, a receiver or an observer wants beside AOS."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from contactd.core.contacts.contact import Contact
from contactd.core.instants import DAY_S
from contactd.faces.cli.output import refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.tables import Column
from contactd.mission.timetext import NO_EARLIER, NO_LATER, Safe, machine, moment, on_day_of

if TYPE_CHECKING:
    from contactd.core.ground.station import Station
    from contactd.core.orbit.track import Track
    from contactd.core.target import Target

# The least angle to the Sun is looked for at this many moments of a contact.
SUN_SAMPLES = 61


@dataclass(frozen=True, slots=True)
class Group:
    """The contacts of one target over one station, and what their columns follow from."""

    target: Target
    track: Track
    station: Station
    contacts: Sequence[Contact]

    def at(self, name: str) -> Any:
        """The moments of one name (``aos``, ``tca``, ``los``) of each contact, ``[n]``."""
        return np.array([getattr(contact, name) for contact in self.contacts])


@dataclass(frozen=True, slots=True)
class Extra:
    """A column on request.

    Attributes:
        values: for a group, one JSON value a contact.
        digits: decimals that are kept, of a figure.
        safe: which way a time may differ.
    """

    heading: str
    unit: str
    about: str
    values: Callable[[Group], Sequence[Any]]
    digits: int = 1
    safe: Safe = NO_LATER


def _sight(name: str, quantity: str) -> Callable[[Group], Any]:
    def values(group: Group) -> Any:
        from contactd.core.ground.sight import sight

        # A hair inside the contact, since a track's states may end at its very end.
        at = group.at(name) - (1e-6 if name == "los" else 0.0)
        return getattr(sight(group.track, group.station, at), quantity)

    return values


def _light_time_s(group: Group) -> Any:
    from contactd.core.ground.doppler import light_time_s

    return light_time_s([contact.tca_range_km for contact in group.contacts])


def _sun_elevation_deg(group: Group) -> Any:
    from contactd.core.orbit.sun import sun_elevation_deg

    return sun_elevation_deg(group.station, group.at("tca"))


def _sun_separation_deg(group: Group) -> list[float]:
    from contactd.core.ground.sight import sight, sun_separation_deg

    found = []
    for contact in group.contacts:
        at = np.linspace(contact.aos, contact.los - 1e-6, SUN_SAMPLES)
        seen = sight(group.track, group.station, at)
        found.append(float(np.nanmin(sun_separation_deg(group.station, seen, at))))
    return found


def _sunlit(group: Group) -> Any:
    from contactd.core.orbit.eclipse import sunlit_fraction

    at = group.at("tca")
    return sunlit_fraction(at, group.track.states(at)[0])


def _timing_error_s(group: Group) -> list[float]:
    epoch = group.target.epoch(current().now)
    assert epoch is not None
    error = group.target.error_at(current().now)
    return [error.at_age_s(contact.aos - epoch) for contact in group.contacts]


def _window(end: int) -> Callable[[Group], list[str | None]]:
    """Start (0) or end (1) of the command window of each contact, or None where it has none."""

    def values(group: Group) -> list[str | None]:
        from contactd.core.contacts.coverage import seen_from, services
        from contactd.core.contacts.prediction import predict
        from contactd.core.orbit.orbit_error import EXACT

        if "command" not in group.station.services:
            return [None] * len(group.contacts)
        span = (group.contacts[0].aos, max(contact.los for contact in group.contacts))
        # Contacts are predicted a day round the span, so that none looks cut where it is not.
        table = predict([group.track], [group.station], span[0] - DAY_S, span[1] + DAY_S)
        seen = seen_from(group.track, [group.station], table, EXACT, span[0])
        by_service = services(
            group.track,
            [group.station],
            seen,
            EXACT,
            span[0],
            table.start,
            table.end,
            links=group.target.links_by_name,
        )
        coverage = by_service["command"][group.station.name].nominal
        found: list[str | None] = []
        for contact in group.contacts:
            inside = coverage.clip(contact.aos, contact.los)
            bounds = [float(inside.starts[0]), float(inside.ends[-1])] if inside else None
            found.append(
                None if bounds is None else machine(bounds[end], NO_LATER if end else NO_EARLIER)
            )
        return found

    return values


EXTRAS: Mapping[str, Extra] = {
    "command_from": Extra(
        "Command from", "UTC", "the command window opens", _window(0), 0, NO_EARLIER
    ),
    "command_until": Extra("Until", "UTC", "the command window closes", _window(1)),
    "aos_range_km": Extra("Range AOS", "km", "slant range at AOS", _sight("aos", "range_km"), 3),
    "los_range_km": Extra("Range LOS", "km", "slant range at LOS", _sight("los", "range_km"), 3),
    "aos_range_rate_km_s": Extra(
        "Rate AOS", "km/s", "range rate at AOS", _sight("aos", "range_rate_km_s"), 6
    ),
    "los_range_rate_km_s": Extra(
        "Rate LOS", "km/s", "range rate at LOS", _sight("los", "range_rate_km_s"), 6
    ),
    "tca_light_time_s": Extra("Light time", "s", "one way, at TCA", _light_time_s, 6),
    "sun_elevation_deg": Extra(
        "Sun el", "deg", "of the Sun at the station, at TCA", _sun_elevation_deg, 2
    ),
    "sun_separation_deg": Extra(
        "Sun off", "deg", "least angle between target and Sun", _sun_separation_deg, 2
    ),
    "sunlit": Extra("Sunlit", "0 to 1", "visible part of the Sun, at TCA", _sunlit, 3),
    "timing_error_s": Extra(
        "Orbit +/-", "s", "bound of the orbit error along track, at AOS", _timing_error_s, 3
    ),
}


def names_of(written: str) -> list[str]:
    """The columns named in a list with commas; ``all`` stands for every one.

    Raises:
        click.UsageError: for a name that is none; it says the nearest.
    """
    from contactd.faces.cli.names import resolve

    names: dict[str, None] = {}
    for part in written.split(","):
        if part.strip() == "all":
            names.update(dict.fromkeys(EXTRAS))
        elif part.strip():
            try:
                names[resolve("column", part, list(EXTRAS), len(EXTRAS))] = None
            except ValueError as problem:
                refuse(str(problem))
    return list(names)


def extras_of(
    names: Sequence[str],
    contacts: Sequence[Contact],
    targets: Mapping[str, tuple[Target, Track]],
    stations: Mapping[str, Station],
) -> list[dict[str, Any]]:
    """The values of columns, by name, for each contact in the order given."""
    found: list[dict[str, Any]] = [{} for _ in contacts]
    groups: dict[tuple[str, str], list[int]] = {}
    for index, contact in enumerate(contacts):
        groups.setdefault((contact.target, contact.station), []).append(index)
    for (target, station), indices in groups.items():
        group = Group(*targets[target], stations[station], [contacts[each] for each in indices])
        for name in names:
            extra = EXTRAS[name]
            for index, value in zip(indices, extra.values(group), strict=True):
                found[index][name] = _plain(value, extra.digits)
    return found


def columns_of(names: Sequence[str]) -> list[Column]:
    """The columns of a table for these names."""
    return [
        Column(EXTRAS[name].heading, EXTRAS[name].unit, right=not name.startswith("command"))
        for name in names
    ]


def cells_of(names: Sequence[str], values: Mapping[str, Any], aos: str) -> list[str]:
    """The cells of one contact, whose AOS is shown as that text."""
    return [_cell(values[name], EXTRAS[name].digits, aos, EXTRAS[name].safe) for name in names]


def _plain(value: Any, digits: int) -> Any:
    if value is None or isinstance(value, str):
        return value
    figure = float(value)
    return None if figure != figure else round(figure, digits)


def _cell(value: Any, digits: int, aos: str, safe: Safe) -> str:
    if value is None:
        return "-"
    if isinstance(value, str):
        from contactd.core.instants import from_text

        day_of_year = aos.index(" ") == len("2026-329")
        return on_day_of(moment(from_text(value), safe, day_of_year=day_of_year), aos)
    return f"{value:.{min(digits, 3)}f}"
