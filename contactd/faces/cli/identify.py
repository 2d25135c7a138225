"""``contactd identify``: which of several objects is the target."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from contactd.core.errors import InputError
from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, complain, refuse
from contactd.faces.cli.situation import one, read_configuration
from contactd.faces.cli.times import Duration

if TYPE_CHECKING:
    from contactd.core.ground.station import Station
    from contactd.core.learning.identification import Candidate, Identification
    from contactd.core.orbit.elements import ElementSet
    from contactd.core.record import Record

MOST_BYTES = 16 << 20
MOST_CANDIDATES = 200
FIELDS = ("name", "probability", "offset_s", "misfit", "reason")


@click.command("identify")
@click.argument("target", metavar="TARGET")
@click.option(
    "--among",
    "file",
    required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Element sets of the objects, as TLE or OMM.",
)
@options.instant("at", "A moment in the contact to go by.  [default: the last one observed]")
@click.option(
    "--error",
    "error_s",
    type=Duration(),
    metavar="DURATION",
    help="How early or late each set may be (95 %).  [default: as is assumed of its orbit]",
)
@options.output_format
@options.config
def command(
    target: str, file: Path, at: float | None, error_s: float | None, form: str, config_dir: str
) -> None:
    """Tell which object in FILE is TARGET, by what stations observed of it in one contact.

    Observed AOS and LOS and tracking data count, as `contactd record aos`, `los` and `tracking`
    have them. It is decided only where one object is certain to 99 %.
    """
    from contactd.faces.cli.store import state_of
    from contactd.mission.documents.orbit import identification_form, identification_sentence

    configuration = read_configuration(config_dir)
    found = one("target", target, configuration.targets)
    records = state_of(configuration).observations.get(found.name, ())
    contact = _contact(records, at)
    if not contact:
        refuse(
            f"Nothing was observed of {found.name}{'' if at is None else ' then'}. "
            "Record it first: contactd record aos, los or tracking."
        )
    try:
        answer = _identified(_elements(file), contact, configuration.stations, error_s)
    except InputError as error:
        complain(str(error.at(str(file))))
        return
    shown = identification_form(answer)
    if form == "json":
        as_json({"target": found.name, **shown})
    elif form == "csv":
        as_csv(FIELDS, shown["candidates"])
    else:
        _show(answer)
        from contactd.faces.cli.tables import console, say

        say(console(), identification_sentence(answer), style="bold")


def _contact(records: Sequence[Record], at: float | None) -> list[Record]:
    """Records of one contact: around an instant (s), or the last one."""
    from contactd.core.instants import from_text
    from contactd.core.learning.tracking import LONGEST_GAP_S

    moments = [(from_text(str(each.body["at"])), each) for each in records]
    if not moments:
        return []
    middle = max(when for when, _ in moments) if at is None else at
    return [each for when, each in moments if abs(when - middle) <= LONGEST_GAP_S / 2]


def _elements(file: Path) -> list[ElementSet]:
    from contactd.core.orbit import parse_omm, parse_tle

    if file.stat().st_size > MOST_BYTES:
        raise InputError(f"at most {MOST_BYTES >> 20} MiB", f"{file.stat().st_size} bytes")
    data = file.read_bytes()
    start = data[:2000].lstrip(b"\xef\xbb\xbf \t\r\n")
    is_omm = start[:1] in (b"<", b"[", b"{") or b"CCSDS_OMM_VERS" in start
    found = list(parse_omm(data) if is_omm else parse_tle(data))
    if not 0 < len(found) <= MOST_CANDIDATES:
        raise InputError(f"element sets of 1 to {MOST_CANDIDATES} objects", str(len(found)))
    return found


def _identified(
    elements: Sequence[ElementSet],
    contact: Sequence[Record],
    stations: Mapping[str, Station],
    error_s: float | None,
) -> Identification:
    from contactd.core.learning.identification import identify
    from contactd.core.learning.known import reception_of, series_of
    from contactd.core.record import OFFSET_MEASURED

    candidates = [_candidate(each, elements, error_s) for each in elements]
    measured, receptions = [], []
    for record in contact:
        try:
            if record.kind == OFFSET_MEASURED:
                measured += series_of(record, candidates[0].track, stations)
            else:
                receptions.append(reception_of(record, stations))
        except (KeyError, TypeError, ValueError) as problem:
            complain(f"note: record {record.number} cannot be used: {problem}")
    if not measured and not receptions:
        refuse("Nothing that was observed can be used.")
    return identify(candidates, measured, receptions)


def _candidate(each: ElementSet, among: Sequence[ElementSet], error_s: float | None) -> Candidate:
    from contactd.core.learning.identification import Candidate
    from contactd.core.learning.receptions import Growth
    from contactd.core.orbit.assumed_error import assumed_error, shape_of_elements
    from contactd.core.orbit.sgp4_track import Sgp4Track

    same = [other for other in among if other.name == each.name]
    number = str(each.catalogue_number)
    name = each.name if each.name and len(same) == 1 else f"{each.name} {number}".strip()
    if error_s is not None:
        growth = Growth(error_s, 0.0)
    else:
        assumed = assumed_error(shape_of_elements(each, 1))
        growth = Growth(assumed.at_epoch_s, assumed.per_day_s, assumed.per_day2_s)
    return Candidate(name, Sgp4Track(each, name), each.epoch, growth)


def _show(answer: Identification) -> None:
    from contactd.faces.cli.tables import Column, console, show
    from contactd.mission.documents.orbit import share_text

    columns = (
        Column("Object", wraps=True),
        Column("Probability", right=True),
        Column("Offset", "s", right=True),
        Column("Misfit", right=True, optional=1),
        Column("Reason", wraps=True),
    )
    rows = [
        (
            each.name,
            "-" if each.reason else share_text(each.probability),
            "-" if each.reason else f"{each.offset_s:+.1f}",
            "-" if each.reason else f"{each.misfit:.1f}",
            each.reason,
        )
        for each in answer.fits
    ]
    show(columns, rows, console())
