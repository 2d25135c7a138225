"""Contacts as an operator reads them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from contactd.core.contacts.contact import Contact
from contactd.core.contacts.outage import Outage, outage_of
from contactd.core.ground.status import degraded_in, reason
from contactd.faces.cli.tables import STYLES, Cell, Column, say, show
from contactd.mission.texts.orbit_error import probability_text
from contactd.mission.timetext import (
    NEAREST,
    NO_EARLIER,
    NO_LATER,
    inner,
    length,
    moment,
    on_day_of,
    outer,
    rounded,
)

if TYPE_CHECKING:
    from contactd.core.contacts.spread import ContactSpread
    from contactd.core.ground.station import Station
    from contactd.faces.cli.screen import Screen

STILL_UP_BEFORE = "<"
STILL_UP_AFTER = ">"
PARTLY_OUT = "*"
ALL_OUT = "x"

_TARGET = Column("Target", wraps=True)
_COLUMNS = (
    Column("Station", wraps=True),
    Column("AOS", "UTC"),
    Column("LOS", "UTC"),
    Column("±", "s", right=True, optional=1),
    Column("Lasts", right=True, optional=2),
    Column("Max el", "deg", right=True, optional=1),
    Column("Az AOS-LOS", "deg", right=True, optional=3),
    Column("TCA", "UTC", optional=4),
    Column("Range", "km at TCA", right=True, optional=5),
    Column("Az TCA", "deg", right=True, optional=6),
)


def show_contacts(
    contacts: Sequence[Contact],
    screen: Screen,
    stations: Mapping[str, Station],
    *,
    with_target: bool = True,
    day_of_year: bool = False,
    spreads: Sequence[ContactSpread | None] = (),
    names: Sequence[str] = (),
    extras: Sequence[Mapping[str, Any]] = (),
) -> None:
    """Print contacts in the order given; ``with_target`` False leaves the target's name out.

    Args:
        stations: by name, for their outages.
        spreads: how far each contact may be off; none for none of them.
        names: columns on request, see ``contact_columns``.
        extras: their values, one mapping a contact.
    """
    outages = [outage_of(contact, stations[contact.station]) for contact in contacts]
    known = spreads or [None] * len(contacts)
    rows = [
        _row(contact, out, spread, day_of_year)
        for contact, out, spread in zip(contacts, outages, known, strict=True)
    ]
    columns: tuple[Column, ...] = _COLUMNS
    if names:
        from contactd.faces.cli.contact_columns import cells_of, columns_of

        columns = (*columns, *columns_of(names))
        for contact, row, values in zip(contacts, rows, extras, strict=True):
            row += cells_of(names, values, moment(contact.aos, NO_LATER, day_of_year=day_of_year))
    if with_target:
        columns = (_TARGET, *columns)
        rows = [[contact.target, *row] for contact, row in zip(contacts, rows, strict=True)]
    show(columns, rows, screen)
    notes = []
    if any(contact.cut_at_start for contact in contacts):
        notes.append(f"{STILL_UP_BEFORE} in view before the time shown")
    if any(contact.cut_at_end for contact in contacts):
        notes.append(f"{STILL_UP_AFTER} in view beyond the time shown")
    if notes:
        say(screen, "; ".join(notes) + ".")
    if any(each is not None for each in spreads):
        say(screen, "± how far AOS or LOS may be off, 95 % (chance that the contact happens).")
    for line in _outage_notes(contacts, outages, stations, day_of_year):
        say(screen, line, style=STYLES["warning"], hang=2)


def _outage_notes(
    contacts: Sequence[Contact],
    outages: Sequence[Outage | None],
    stations: Mapping[str, Station],
    day_of_year: bool,
) -> list[str]:
    """What the marks of outages mean, in the order of the contacts; and which are degraded."""
    found: dict[str, None] = {}
    for contact, out in zip(contacts, outages, strict=True):
        if out is None:
            continue
        why = f": {out.why}" if out.why else ""
        text = f"{_mark(out).strip()} {contact.station}: "
        if out.takes_all:
            text += "do not use. "
        else:
            spans = [inner(*each, day_of_year=day_of_year) for each in out.usable]
            text += f"use {', '.join(spans)} only. "
        text += f"Out {outer(out.start, out.end, day_of_year=day_of_year)}{why}."
        found[text] = None
    for contact in contacts:
        degraded = degraded_in(contact.aos, contact.los, stations[contact.station])
        if degraded is not None:
            span = outer(degraded.start, degraded.end, day_of_year=day_of_year)
            text = f"{contact.station}: do not count on it. Degraded {span}: {reason(degraded)}."
            found[text] = None
    return list(found)


def _mark(out: Outage | None) -> str:
    if out is None:
        return ""
    return f" {ALL_OUT}" if out.takes_all else f" {PARTLY_OUT}"


def _off(contact: Contact, spread: ContactSpread | None) -> str:
    if spread is None or (contact.cut_at_start and contact.cut_at_end):
        return "-"
    off = f"{rounded(spread.off_s(contact), NO_EARLIER, 0.1):.1f}"
    exists = probability_text(spread.existence_probability)
    return off if exists is None else f"{off} ({exists})"


def _row(
    contact: Contact, out: Outage | None, spread: ContactSpread | None, day_of_year: bool
) -> list[Cell]:
    aos = moment(contact.aos, NO_LATER, day_of_year=day_of_year)
    los = on_day_of(moment(contact.los, NO_LATER, day_of_year=day_of_year), aos)
    name = contact.station + _mark(out)
    return [
        name if out is None else (name, STYLES["warning"]),
        aos + (STILL_UP_BEFORE if contact.cut_at_start else ""),
        los + (STILL_UP_AFTER if contact.cut_at_end else ""),
        _off(contact, spread),
        length(contact.duration_s, NO_LATER),
        f"{contact.max_elevation_deg:.1f}",
        f"{_azimuth(contact.aos_azimuth_deg)}-{_azimuth(contact.los_azimuth_deg)}",
        on_day_of(moment(contact.tca, NEAREST, day_of_year=day_of_year), aos),
        f"{contact.tca_range_km:.0f}",
        _azimuth(contact.tca_azimuth_deg),
    ]


def _azimuth(degrees: float) -> str:
    return f"{round(degrees) % 360:03d}"
