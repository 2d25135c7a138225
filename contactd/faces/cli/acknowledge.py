"""``contactd acknowledge``: somebody has an alert in hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import read_configuration
from contactd.mission.timetext import NEAREST, from_now, moment

if TYPE_CHECKING:
    from collections.abc import Sequence

    from contactd.alerts.tracked import TrackedAlert
    from contactd.core.record import Record

FIELDS = ("number", "severity", "kind", "subject", "what", "do", "changed", "moment", "identity")


@click.command("acknowledge")
@click.argument("named", metavar="[ALERT]...", nargs=-1)
@click.option("--all", "everything", is_flag=True, help="Every alert that waits.")
@click.option("--target", metavar="NAME", default="", help="Every one of this target that waits.")
@click.option("--sequence", metavar="NAME", default="", help="Every one of this sequence.")
@click.option(
    "--cause", metavar="NAME", default="", help="Every one of this kind, step or station."
)
@click.option("--note", metavar="TEXT", default="", help="A note, kept in the record.")
@click.option("--by", metavar="NAME", help="Who has it in hand.  [default: your user name]")
@options.day_of_year
@options.output_format
@options.config
def command(
    named: tuple[str, ...],
    everything: bool,
    target: str,
    sequence: str,
    cause: str,
    note: str,
    by: str | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """Acknowledge alerts; without ALERT, list those that wait.

    ALERT is the number of the record that raised it, as the list shows it, or its identity. With
    --target, --sequence or --cause all that wait and share it are acknowledged together.
    Acknowledging stops reminders; it changes nothing aboard.
    """
    from contactd.alerts.fold import AlertState, fold_alerts
    from contactd.alerts.standing import standing
    from contactd.faces.cli.store import author, open_ledger
    from contactd.mission.actions import Acknowledge, record_of
    from contactd.mission.together import Together, waiting_together

    configuration = read_configuration(config_dir)
    now = current().now
    ledger = open_ledger(configuration)
    state = AlertState()
    if ledger is not None:
        state = fold_alerts(state, ledger.records())
    waiting = [state.tracked[alert.identity] for alert in state.open_alerts(now)]
    which = Together(target, sequence, cause)
    if not named and not everything and which == Together():
        _show(waiting, now, day_of_year, form)
        return
    stand = standing(state, now)
    if which != Together():
        named = (*named, *(each.alert.identity for each in waiting_together(which, stand)))
    chosen = [told.alert.identity for told in waiting] if everything else dict.fromkeys(named)
    made = [record_of(Acknowledge(each, note), stand, author(by), now) for each in chosen]
    if ledger is None or not made:
        refuse("No alert is waiting.")
    with ledger:
        written = ledger.append(made)
    _say_done(written, [state.tracked[str(each.body["identity"])] for each in written], form)


def _form(told: TrackedAlert) -> dict[str, Any]:
    from contactd.mission.timetext import machine

    alert = told.alert
    return {
        "number": told.number,
        "severity": str(alert.severity),
        "kind": alert.kind,
        "subject": alert.subject,
        "what": alert.what,
        "do": alert.do,
        "changed": alert.changed,
        "moment": machine(alert.moment, NEAREST),
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
            say(screen, "No alert is waiting.")
        for told in waiting:
            alert = told.alert
            at = moment(alert.moment, NEAREST, day_of_year=day_of_year)
            at += f" ({from_now(alert.moment, now, NEAREST)})"
            head = f"{told.number:>6}  {alert.severity}: {alert.what}"
            say(screen, head, style=STYLES[str(alert.severity)], hang=8)
            say(screen, f"{alert.subject}, {at}", indent=8)
            if alert.changed:
                say(screen, alert.changed, indent=8)
            if alert.do:
                say(screen, alert.do, indent=8)


def _say_done(written: Sequence[Record], chosen: Sequence[TrackedAlert], form: str) -> None:
    from contactd.mission.documents.service import record_form

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
