"""``contactd record tracking``: what a tracking data message says of a target's motion."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from contactd.core.errors import InputError
from contactd.faces.cli.output import as_csv, as_json, complain, refuse, tell
from contactd.faces.cli.record.entry import Manner, keep, recording
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, read_configuration

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.learning.offset import Estimate
    from contactd.core.learning.tracking import Contact, Reading
    from contactd.core.record import Record
    from contactd.core.target import Target

MOST_BYTES = 16 << 20
FIELDS = ("station", "from", "to", "measured", "offset_s", "bound_s", "used", "given", "problems")
_SIGMAS = 1.96


@click.command("tracking")
@click.argument("target", metavar="TARGET")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--name",
    "names",
    metavar="THEIRS=OURS",
    multiple=True,
    help="A participant that the file calls by another name (repeatable).",
)
@click.option(
    "--two-way-range",
    type=click.Choice(["whole", "half"]),
    default="whole",
    show_default=True,
    help="Whether two-way ranges are of the whole path, there and back, or half of it.",
)
@click.option(
    "--noise-hz", type=click.FloatRange(0, min_open=True), help="Standard deviation of frequencies."
    "  [default: as they scatter]",
)  # fmt: skip
@recording
def command(
    target: str,
    file: Path,
    names: tuple[str, ...],
    two_way_range: str,
    noise_hz: float | None,
    manner: Manner,
) -> None:
    """Record what FILE, a tracking data message (CCSDS TDM), says of TARGET's motion.

    Doppler, range and angles of each contact give how early or late the target is on its track.
    What cannot be trusted is recorded with the reason, and does not count. `contactd orbit` shows
    what all observations teach.
    """
    from contactd.core.learning.measured import Kind
    from contactd.core.learning.tracking import Reading

    configuration = read_configuration(manner.config_dir)
    found = one("target", target, configuration.targets)
    pairs = dict(_pair(each) for each in names)
    reading = Reading(
        own=_names_of(found),
        stations=configuration.stations,
        names=pairs,
        half_range=two_way_range == "half",
        noise=None if noise_hz is None else {Kind.FREQUENCY: noise_hz},
    )
    try:
        contacts = _contacts(file, found, reading)
    except InputError as error:
        complain(str(error.at(str(file))))
        tell("Nothing was recorded.")
        return
    for note in dict.fromkeys(note for each in contacts for note in each.notes):
        tell(f"note: {file}: {note}: left out")
    made = [_made(each, found, file.name, manner) for each in contacts]
    new = [record for _, record in made]
    records = keep(configuration, [*new, *_following(configuration, found, new)], manner)[
        : len(new)
    ]
    _print(contacts, [estimate for estimate, _ in made], records, configuration, manner)


def _pair(text: str) -> tuple[str, str]:
    theirs, equals, ours = text.partition("=")
    if not equals or not theirs.strip() or not ours.strip():
        refuse(f"--name {text} is no pair of names. Write THEIRS=OURS.")
    return theirs.strip(), ours.strip()


def _names_of(target: Target) -> frozenset[str]:
    """What messages may call the target: its name, or what its elements do."""
    elements = [text for each in target.elements for text in (
        each.name, each.international_designator, str(each.catalogue_number or ""))]  # fmt: skip
    return frozenset({target.name, *(each for each in elements if each)})


def _contacts(file: Path, target: Target, reading: Reading) -> list[Contact]:
    from contactd.core.learning.tracking import contacts_of
    from contactd.core.orbit.sgp4_track import Sgp4Track
    from contactd.core.orbit.tdm import parse_tdm

    if file.stat().st_size > MOST_BYTES:
        raise InputError(f"at most {MOST_BYTES >> 20} MiB", f"{file.stat().st_size} bytes")
    elements = target.elements_for(current().now)
    if elements is None or not target.is_plain:
        raise InputError(f"element sets of {target.name}: nothing else is compared", "none")
    return contacts_of(parse_tdm(file.read_bytes()), Sgp4Track(elements, target.name), reading)


def _following(configuration: Configuration, target: Target, records: list[Record]) -> list[Record]:
    """The correction that follows, where the settings adopt what observations teach."""
    if not configuration.settings.elements.adopt_corrections:
        return []
    from contactd.faces.cli.store import state_of
    from contactd.mission.statements.heard import correction_that_follows

    seen = (*state_of(configuration).observations.get(target.name, ()), *records)
    identity = records[-1].identity
    return correction_that_follows(target, configuration.stations, seen, current().now, identity)


def _made(contact: Contact, target: Target, source: str, manner: Manner) -> tuple[Estimate, Record]:
    from contactd.core.instants import DAY_S
    from contactd.core.learning.known import growth_of, measured_body
    from contactd.core.learning.offset import estimate_offset
    from contactd.core.record import OFFSET_MEASURED, Record
    from contactd.faces.cli.store import author

    now = current().now
    elements = target.elements_for(now)
    assert elements is not None
    if contact.span[0] > now:
        raise InputError("measurements that are not ahead of now", contact.station.name)
    growth, _ = growth_of(target, now)
    prior_s = growth.at((contact.span[0] - elements.epoch) / DAY_S) / _SIGMAS
    estimate = estimate_offset(contact.series, prior_s)
    body = measured_body(contact, estimate, elements, source)
    if manner.note.strip():
        body["note"] = manner.note.strip()
    by = author(manner.by)
    start = body["from"]
    identity = f"entered:{by}:{manner.key}:{contact.station.name}:{start}" if manner.key else ""
    return estimate, Record(now, OFFSET_MEASURED, target.name, by, body, identity)


def _print(
    contacts: list[Contact],
    estimates: list[Estimate],
    records: list[Record],
    configuration: Configuration,
    manner: Manner,
) -> None:
    from contactd.mission.documents.orbit import offset_text
    from contactd.mission.documents.service import record_form

    rows = [_row(each) for each in records]
    if manner.form == "json":
        forms = [
            {"record": record_form(record), "stored": bool(record.number)} for record in records
        ]
        as_json(forms)
    elif manner.form == "csv":
        as_csv(FIELDS, rows)
    else:
        from contactd.faces.cli.tables import console, say
        from contactd.mission.statements import confirmation
        from contactd.mission.timetext import NEAREST, moment

        screen = console()
        for contact, estimate, record in zip(contacts, estimates, records, strict=True):
            say(screen, confirmation(record), style="bold")
            start = moment(contact.span[0], NEAREST, day_of_year=manner.day_of_year)
            what = ", ".join(record.body["measured"])
            say(
                screen,
                f"{contact.station.name}, {start}, {what}: "
                f"{offset_text(estimate.offset_s, estimate.bound_s)} (95 %), "
                f"{estimate.used} of {estimate.given} values.",
                hang=2,
            )
    for record in records:
        if record.body["problems"]:
            complain(f"note: {record.body['station']}: {'; '.join(record.body['problems'])}. "
                     "It is kept, and does not count.")  # fmt: skip


def _row(record: Record) -> dict[str, Any]:
    return {name: record.body[name] for name in FIELDS}
