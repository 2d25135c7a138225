"""Contacts as an operator reads them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from contactd.core.contacts.contact import Contact
from contactd.faces.cli.tables import Cell, Column, say, show
from contactd.faces.cli.times import later_on, length, moment

if TYPE_CHECKING:
    from contactd.faces.cli.screen import Screen

STILL_UP_BEFORE = "<"
STILL_UP_AFTER = ">"

_TARGET = Column("Target", wraps=True)
_COLUMNS = (
    Column("Station", wraps=True),
    Column("AOS", "UTC"),
    Column("LOS", "UTC"),
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
    *,
    with_target: bool = True,
    day_of_year: bool = False,
    names: Sequence[str] = (),
    extras: Sequence[Mapping[str, Any]] = (),
) -> None:
    """Print contacts in the order given; ``with_target`` False leaves the target's name out.

    Args:
        names: columns on request, see ``contact_columns``.
        extras: their values, one mapping a contact.
    """
    rows = [_row(contact, day_of_year) for contact in contacts]
    columns: tuple[Column, ...] = _COLUMNS
    if names:
        from contactd.faces.cli.contact_columns import cells_of, columns_of

        columns = (*columns, *columns_of(names))
        for contact, row, values in zip(contacts, rows, extras, strict=True):
            row += cells_of(names, values, moment(contact.aos, day_of_year))
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


def _row(contact: Contact, day_of_year: bool) -> list[Cell]:
    aos = moment(contact.aos, day_of_year)
    los = later_on(moment(contact.los, day_of_year), aos)
    return [
        contact.station,
        aos + (STILL_UP_BEFORE if contact.cut_at_start else ""),
        los + (STILL_UP_AFTER if contact.cut_at_end else ""),
        length(contact.duration_s),
        f"{contact.max_elevation_deg:.1f}",
        f"{_azimuth(contact.aos_azimuth_deg)}-{_azimuth(contact.los_azimuth_deg)}",
        later_on(moment(contact.tca, day_of_year), aos),
        f"{contact.tca_range_km:.0f}",
        _azimuth(contact.tca_azimuth_deg),
    ]


def _azimuth(degrees: float) -> str:
    return f"{round(degrees) % 360:03d}"
