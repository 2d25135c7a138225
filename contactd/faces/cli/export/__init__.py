"""``contactd export …``: for other programs, by open standards."""

from __future__ import annotations

import click

from contactd.faces.cli.lazy import Lazy, LazyGroup

_HERE = "contactd.faces.cli.export"

KINDS = {
    "calendar": Lazy(f"{_HERE}.calendar", "Contacts, windows and steps as iCalendar (RFC 5545)."),
    "schedule": Lazy(
        f"{_HERE}.schedule", "Station time as CCSDS simple schedule, CSV, JSON or iCalendar."
    ),
    "elements": Lazy(f"{_HERE}.elements", "A target's elements as OMM or TLE."),
    "ephemeris": Lazy(f"{_HERE}.ephemeris", "A target's motion as OEM."),
}


@click.group("export", cls=LazyGroup, table=KINDS)
def command() -> None:
    """Give out what is known for other programs, by open standards.

    Other commands give CSV and JSON themselves: see their --format.
    """
