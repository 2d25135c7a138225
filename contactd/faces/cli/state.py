"""``contactd state``: what is known, or was known at an earlier moment."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json
from contactd.faces.cli.session import current
from contactd.faces.cli.watched import read_watched
from contactd.mission.changes import of_elements
from contactd.mission.timetext import NEAREST, moment, outer

if TYPE_CHECKING:
    from contactd.core.sequences.known import SequenceKnowledge
    from contactd.faces.cli.screen import Screen
    from contactd.records.state import State


@click.command("state")
@options.instant("at", "Show what was known at this time.", "now")
@options.day_of_year
@options.output_format
@options.config
def command(at: float, day_of_year: bool, form: str, config_dir: str) -> None:
    """Show what the ledger knows, or knew at an earlier time from what was recorded by then."""
    from contactd.faces.cli.store import state_of

    configuration = read_watched(config_dir)
    now = current().now
    state = state_of(configuration, at if at < now else None)
    facts = [
        {"about": about, **fact}
        for key, known in state.sequences.items()
        for about, fact in _facts_of("/".join(key), known)
    ]
    if form == "json":
        as_json(_form(state, at, facts))
    elif form == "csv":
        as_csv(("about", "fact", "from", "to", "text", "record"), facts)
    else:
        from contactd.faces.cli.tables import console

        _show(console(), state, at, day_of_year)


def _fact(
    fact: str, start: float | None, end: float | None, text: str, record: int
) -> dict[str, Any]:
    from contactd.mission.timetext import NO_EARLIER, NO_LATER, machine

    return {
        "fact": fact,
        "from": machine(start, NO_LATER),
        "to": machine(end, NO_EARLIER),
        "text": text,
        "record": record or None,
    }


def _facts_of(about: str, known: SequenceKnowledge) -> list[tuple[str, dict[str, Any]]]:
    """Everything that is known of a sequence, in order of sort, as (subject, fact)."""
    from contactd.mission.timetext import written

    found: list[tuple[str, dict[str, Any]]] = []

    def add(step: str | None, *fact: Any) -> None:
        found.append((about if step is None else f"{about}/{step}", _fact(*fact)))

    if known.start is not None:
        start = known.start
        add(None, "start", start.earliest, start.latest, str(start.status), start.record)
    for step, setting_s in known.settings.items():
        add(step, "setting", None, None, written(setting_s), 0)
    for reading in known.readings:
        value = reading.remaining_s if reading.remaining_s is not None else reading.elapsed_s
        which = "remaining" if reading.remaining_s is not None else "elapsed"
        error = written(reading.error_s)
        text = f"{written(value or 0.0)} {which}, ± {error}"
        add(reading.step, "reading", reading.at, reading.at, text, reading.record)
    for step, seen in known.seen.items():
        add(step, "confirmed", seen.earliest, seen.latest, "", seen.record)
    for step, not_seen in known.not_seen.items():
        text = "shows no start" if not_seen.refutes else not_seen.why or "proves nothing"
        add(step, "not confirmed", not_seen.start, not_seen.end, text, not_seen.record)
    for step, at in known.stopped_steps.items():
        add(step, "stopped", at, at, "", 0)
    for step in sorted(known.inert_steps):
        add(step, "did not expire", None, None, "by decision", 0)
    for attempt in known.attempts:
        add(None, "attempt", attempt.earliest, attempt.latest, attempt.why, attempt.record)
    for loss in known.power_losses:
        add(None, "power loss", loss.earliest, loss.latest, loss.why, loss.record)
    for hold in known.holds:
        until = hold.resumed.latest if hold.resumed else None
        text = hold.held.why or ("hold" if hold.resumed is None else "hold, then resume")
        add(hold.step, "hold", hold.held.earliest, until, text, hold.held.record)
    for sent in known.commands:
        text = f"{sent.command} through {sent.station}" if sent.station else sent.command
        add(sent.step, "command", sent.at, sent.at, text, sent.record)
    for ruling in known.rulings:
        text = f"{ruling.ruling}, by {ruling.author}: {ruling.why}"
        add(ruling.step, "decision", None, None, text, ruling.record)
    for conflict in known.conflicts:
        add(None, "conflict", None, None, conflict.text, conflict.record)
    return found


def _form(state: State, at: float, facts: list[dict[str, Any]]) -> dict[str, Any]:
    from contactd.core.change import change_record
    from contactd.mission.documents.contacts import status_form
    from contactd.mission.documents.service import record_form
    from contactd.mission.timetext import machine

    def one(record: Any) -> Any:
        return None if record is None else record_form(record)

    return {
        "at": machine(at, NEAREST),
        "last_record": state.number,
        "sequences": facts,
        "elements": {name: one(record) for name, record in state.elements.items()},
        "elements_changes": {
            name: change_record(change, "").body for name, change in state.elements_changes.items()
        },
        "missed_contacts": [
            one(record) for records in state.missed_contacts.values() for record in records
        ],
        "stations": {
            name: [status_form(each) for each in stated]
            for name, stated in state.station_status.items()
            if stated
        },
        "configuration": one(state.configuration),
        "configuration_refused": one(state.configuration_refused),
        "service_started": one(state.service_started),
        "service_stopped": one(state.service_stopped),
        "remarks": state.remarks,
    }


def _show(screen: Screen, state: State, at: float, day_of_year: bool) -> None:
    from contactd.faces.cli.tables import Column, say, show
    from contactd.mission.texts.stations import status_text

    counts = {0: "no record yet", 1: "1 record"}
    count = counts.get(state.number, f"{state.number} records")
    say(screen, f"As known at {moment(at, NEAREST, day_of_year=day_of_year)}: {count}")
    for name, record in (
        ("Configuration in force since", state.configuration),
        ("Configuration invalid", state.configuration_refused),
        ("Service started", state.service_started),
        ("Service stopped", state.service_stopped),
    ):
        if record is not None:
            when = moment(record.at, NEAREST, day_of_year=day_of_year)
            say(screen, f"{name} {when} (record {record.number})")
    for name, record in state.elements.items():
        when = moment(record.at, NEAREST, day_of_year=day_of_year)
        say(screen, f"Elements of {name} adopted {when} (record {record.number})")
    for change in state.elements_changes.values():
        when = moment(change.at, NEAREST, day_of_year=day_of_year)
        say(screen, f"{when} {of_elements(change)}", hang=2)
    for name, records in state.missed_contacts.items():
        for record in records:
            station = record.body.get("station", "?")
            say(
                screen,
                f"Missed: {name} with {station}, recorded "
                f"{moment(record.at, NEAREST, day_of_year=day_of_year)} "
                f"(record {record.number})",
                hang=2,
            )
    for name, stated in state.station_status.items():
        for each in stated:
            text = status_text(each, day_of_year=day_of_year)
            say(screen, f"{name}: {text} (record {each.record})", hang=2)
    for key, known in state.sequences.items():
        say(screen, "")
        say(screen, " / ".join(key), style="bold")
        name = "/".join(key)
        rows = [
            [
                fact["fact"],
                about.removeprefix(name).removeprefix("/") or "-",
                _span(fact["from"], fact["to"], day_of_year),
                fact["text"] or "-",
                str(fact["record"] or "-"),
            ]
            for about, fact in _facts_of(name, known)
        ]
        columns = (
            Column("Fact"),
            Column("Step", wraps=True),
            Column("When (UTC)", wraps=True),
            Column("What", wraps=True),
            Column("Record", right=True),
        )
        show(columns, rows, screen)


def _span(start: str | None, end: str | None, day_of_year: bool) -> str:
    from contactd.core.instants import from_text

    if start is None and end is None:
        return "-"
    if start is None or end is None or start == end:
        known = start or end
        assert known is not None
        text = moment(from_text(known), NEAREST, day_of_year=day_of_year)
        return text if start == end else f"{'from' if start else 'by'} {text}"
    return outer(from_text(start), from_text(end), day_of_year=day_of_year)
