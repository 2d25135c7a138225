"""``contactd acknowledge``: somebody has an alert in hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import read_configuration
from contactd.faces.cli.times import from_now, moment

if TYPE_CHECKING:
    from collections.abc import Sequence

    from contactd.alerts.tracked import TrackedAlert
    from contactd.core.record import Record

FIELDS = ("number", "severity", "kind", "subject", "what", "advice", "concerns", "identity")


@click.command("acknowledge")
@click.argument("numbers", metavar="[NUMBER]...", nargs=-1, type=click.IntRange(1))
@click.option("--all", "everything", is_flag=True, help="Every alert that waits.")
@click.option("--remark", metavar="TEXT", default="", help="A remark, kept in the record.")
@click.option("--by", metavar="NAME", help="Who has it in hand.  [default: your user name]")
@options.day_of_year
@options.output_format
@options.config
def command(
    numbers: tuple[int, ...],
    everything: bool,
    remark: str,
    by: str | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """Say that somebody has alerts in hand; without NUMBER, list those that wait.

    NUMBER is the record that raised the alert, as the list shows it. Acknowledging stops reminders;
    it changes nothing aboard.
    """
    from contactd.alerts.fold import AlertState, fold_alerts
    from contactd.alerts.operator_actions import acknowledgement
    from contactd.faces.cli.store import author, open_ledger

    configuration = read_configuration(config_dir)
    now = current().now
    ledger = open_ledger(configuration)
    state = AlertState()
    if ledger is not None:
        state = fold_alerts(state, ledger.records())
    order = [alert.identity for alert in state.open_alerts(now)]
    waiting = [state.tracked[identity] for identity in order]
    if not numbers and not everything:
        _show(waiting, now, day_of_year, form)
        return
    chosen = waiting if everything else _named(numbers, waiting)
    if ledger is None or not chosen:
        refuse("found no alert that waits; expected at least one")
    made = [acknowledgement(told.alert, author(by), now, remark) for told in chosen]
    with ledger:
        written = ledger.append(made)
    _say_done(written, chosen, form)


def _named(numbers: Sequence[int], waiting: Sequence[TrackedAlert]) -> list[TrackedAlert]:
    by_number = {told.number: told for told in waiting}
    for number in numbers:
        if number not in by_number:
            known = ", ".join(str(each) for each in sorted(by_number)) or "none"
            refuse(f"found alert {number}; expected one that waits: {known}")
    return [by_number[number] for number in dict.fromkeys(numbers)]


def _form(told: TrackedAlert) -> dict[str, Any]:
    from contactd.faces.contract import time_text

    alert = told.alert
    return {
        "number": told.number,
        "severity": str(alert.severity),
        "kind": alert.kind,
        "subject": alert.subject,
        "what": alert.what,
        "advice": alert.do,
        "concerns": time_text(alert.moment),
        "identity": alert.identity,
    }


def _show(waiting: Sequence[TrackedAlert], now: float, day_of_year: bool, form: str) -> None:
    if form == "json":
        as_json([_form(told) for told in waiting])
    elif form == "csv":
        as_csv(FIELDS, [_form(told) for told in waiting])
    else:
        from contactd.faces.cli.tables import STYLES, console, say

        screen = console()
        if not waiting:
            say(screen, "No alert waits.")
        for told in waiting:
            alert = told.alert
            at = f"{moment(alert.concerns, day_of_year)} ({from_now(alert.concerns, now)})"
            head = f"{told.number:>6}  {alert.severity}: {alert.what}"
            say(screen, head, style=STYLES[str(alert.severity)], hang=8)
            say(screen, f"{alert.subject}, {at}", indent=8)
            if alert.do:
                say(screen, alert.do, indent=8)


def _say_done(written: Sequence[Record], chosen: Sequence[TrackedAlert], form: str) -> None:
    from contactd.faces.contract import record_form

    if form == "json":
        as_json([record_form(record) for record in written])
    elif form == "csv":
        as_csv(
            ("number", "at", "kind", "subject", "author", "identity"),
            [record_form(record) for record in written],
        )
    else:
        from contactd.faces.cli.tables import console, say

        screen = console()
        for record, told in zip(written, chosen, strict=True):
            say(screen, f"Recorded as {record.number}: {told.alert.what}", hang=2)
