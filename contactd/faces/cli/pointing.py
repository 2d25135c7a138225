"""Pointing tables: where an antenna looks during a contact, and what its receiver tunes to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from contactd.core.contacts.contact import Contact
from contactd.faces.cli.output import as_csv, as_json, refuse
from contactd.faces.cli.tables import Cell, Column, console, say, show
from contactd.mission.timetext import NEAREST, machine, moment

if TYPE_CHECKING:
    from contactd.core.ground.pointing import LinkColumns, PointingTable
    from contactd.core.ground.station import Station
    from contactd.core.orbit.track import Track
    from contactd.core.target import Target

MOST_ROWS = 200_000

FIGURES = {
    "azimuth_deg": 4,
    "elevation_deg": 4,
    "azimuth_rate_deg_s": 5,
    "elevation_rate_deg_s": 5,
    "range_km": 4,
    "range_rate_km_s": 7,
    "light_time_s": 7,
    "sun_separation_deg": 3,
    "sunlit": 4,
}

_COLUMNS = (
    Column("Time", "UTC"),
    Column("Az", "deg", right=True),
    Column("El", "deg", right=True),
    Column("Range", "km", right=True),
    Column("Rate", "km/s", right=True),
    Column("Sun off", "deg", right=True, optional=2),
    Column("Sunlit", right=True, optional=1),
    Column("Light", "ms", right=True, optional=4),
)


def print_pointing(
    contacts: Sequence[Contact],
    targets: Mapping[str, tuple[Target, Track]],
    stations: Mapping[str, Station],
    every_s: float,
    frequencies_mhz: Sequence[float],
    day_of_year: bool,
    form: str,
) -> None:
    """Print the pointing table of each contact.

    Raises:
        click.UsageError: if there would be too many rows.
    """
    from contactd.core.ground.pointing import pointing_table

    rows = sum(contact.duration_s / every_s + 2 for contact in contacts)
    if rows > MOST_ROWS:
        refuse(
            f"{rows:.0f} rows of pointing are more than {MOST_ROWS}. "
            "Give a smaller --limit or a longer --every."
        )
    tables = []
    for each in contacts:
        target, track = targets[each.target]
        station = stations[each.station]
        tables.append(pointing_table(track, station, each, every_s, target.links))
    if form == "table":
        for table in tables:
            _show(table, frequencies_mhz, day_of_year)
        return
    forms = [list(_rows(table, frequencies_mhz)) for table in tables]
    if form == "json":
        as_json(
            [
                {"target": table.target, "station": table.station, "rows": rows_of}
                for table, rows_of in zip(tables, forms, strict=True)
            ]
        )
        return
    # Targets differ in their links: each row has the columns of all, some of them empty.
    every = {name: None for rows_of in forms for row in rows_of[:1] for name in row}
    names = ["target", "station", *(every or ["at", *FIGURES])]
    as_csv(
        names,
        (
            {**dict.fromkeys(names), "target": table.target, "station": table.station, **row}
            for table, rows_of in zip(tables, forms, strict=True)
            for row in rows_of
        ),
    )


def _shift_names(mhz: float) -> tuple[str, str]:
    return f"received_shift_hz_at_{mhz:g}_mhz", f"uplink_correction_hz_at_{mhz:g}_mhz"


def _shifts(table: PointingTable, mhz: float) -> tuple[Any, Any]:
    from contactd.core.ground.doppler import received_shift_hz, uplink_correction_hz

    rate = table.range_rate_km_s
    return received_shift_hz(mhz * 1e6, rate), uplink_correction_hz(mhz * 1e6, rate)


def _link_columns(link: str, figures: LinkColumns) -> dict[str, Any]:
    """A link's columns by their names."""
    named = {"doppler_hz": figures.doppler_hz, "tune_hz": figures.tune_hz}
    if figures.two_way_hz is not None:
        named["two_way_hz"] = figures.two_way_hz
    named["margin_db"] = figures.margin_db
    before = "".join(letter if letter.isalnum() else "_" for letter in link)
    return {f"{before}_{name}": figure for name, figure in named.items()}


def _rows(table: PointingTable, frequencies_mhz: Sequence[float]) -> list[dict[str, Any]]:
    columns: dict[str, Any] = {
        name: [round(value, digits) for value in getattr(table, name).tolist()]
        for name, digits in FIGURES.items()
    }
    for mhz in frequencies_mhz:
        for name, shift in zip(_shift_names(mhz), _shifts(table, mhz), strict=True):
            columns[name] = [round(value, 3) for value in shift.tolist()]
    for link, figures in table.links.items():
        for name, figure in _link_columns(link, figures).items():
            columns[name] = [round(value, 3) for value in figure.tolist()]
    return [
        {"at": machine(at, NEAREST), **{name: column[index] for name, column in columns.items()}}
        for index, at in enumerate(table.instants.tolist())
    ]


def _show(table: PointingTable, frequencies_mhz: Sequence[float], day_of_year: bool) -> None:
    screen = console()
    day = (
        moment(float(table.instants[0]), NEAREST, day_of_year=day_of_year).split(" ")[0]
        if len(table)
        else ""
    )
    say(screen, f"{table.target} over {table.station}, from {day}", style="bold")
    shifts = [_shifts(table, mhz) for mhz in frequencies_mhz]
    columns = [
        *_COLUMNS,
        *(
            column
            for mhz in frequencies_mhz
            for column in (
                Column("Down", f"Hz at {mhz:g}", right=True),
                Column("Up", f"Hz at {mhz:g}", right=True),
            )
        ),
    ]
    for link in table.links:
        columns += [
            Column(f"Tune {link}", "kHz", right=True),
            Column("Margin", "dB", right=True, optional=3),
        ]
    rows: list[list[Cell]] = []
    for index, at in enumerate(table.instants.tolist()):
        rows.append(
            [
                moment(at, NEAREST, day_of_year=day_of_year).split(" ")[1],
                f"{table.azimuth_deg[index]:.2f}",
                f"{table.elevation_deg[index]:.2f}",
                f"{table.range_km[index]:.1f}",
                f"{table.range_rate_km_s[index]:+.4f}",
                f"{table.sun_separation_deg[index]:.1f}",
                f"{table.sunlit[index]:.2f}",
                f"{1000 * table.light_time_s[index]:.2f}",
                *(f"{shift[index]:+.0f}" for pair in shifts for shift in pair),
                *(
                    cell
                    for figures in table.links.values()
                    for cell in (
                        f"{figures.tune_hz[index] / 1000:.3f}",
                        f"{figures.margin_db[index]:.1f}",
                    )
                ),
            ]
        )
    show(columns, rows, screen)
    if frequencies_mhz:
        say(
            screen,
            "Down: add to the nominal MHz to receive. Up: add to the nominal MHz to send, so that "
            "the nominal frequency arrives aboard.",
        )
    say(screen, "")
