"""``contactd undelivered``: messages that were given up, and trying them again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import read_configuration
from contactd.mission.timetext import NEAREST, from_now, moment

if TYPE_CHECKING:
    from collections.abc import Sequence

    from contactd.alerts.tracked import AlertState
    from contactd.core.alert import DeadLetter

FIELDS = ("number", "at", "channel", "attempts", "reason", "alerts", "message")


@click.command("undelivered")
@click.argument("numbers", metavar="[NUMBER]...", nargs=-1, type=click.IntRange(1))
@click.option("--all", "everything", is_flag=True, help="Retry every one.")
@click.option("--by", metavar="NAME", help="Who has them tried again.  [default: your user name]")
@options.day_of_year
@options.output_format
@options.config
def command(
    numbers: tuple[int, ...],
    everything: bool,
    by: str | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """List messages that could not be delivered; with NUMBER or --all, retry them.

    NUMBER is the record that gave the message up, as the list shows it. Repair the channel first.
    """
    from contactd.alerts.fold import AlertState, fold_alerts
    from contactd.alerts.standing import standing
    from contactd.faces.cli.store import author, open_ledger
    from contactd.mission.actions import Retry, record_of

    configuration = read_configuration(config_dir)
    now = current().now
    ledger = open_ledger(configuration)
    state = AlertState() if ledger is None else fold_alerts(AlertState(), ledger.records())
    if not numbers and not everything:
        _show(state, now, day_of_year, form)
        return
    chosen = [each.number for each in state.dead_letters] if everything else numbers
    stand = standing(state, now)
    made = [record_of(Retry(number), stand, author(by), now) for number in chosen]
    if ledger is None or not made:
        refuse("No message is undelivered.")
    with ledger:
        written = ledger.append(made)
    if form == "table":
        from contactd.faces.cli.tables import console, say
        from contactd.mission.statements import confirmation

        for record in written:
            say(console(), confirmation(record))
        return
    from contactd.mission.documents.service import record_form

    forms = [record_form(record) for record in written]
    as_json(forms) if form == "json" else as_csv(list(forms[0]), forms)


def _show(state: AlertState, now: float, day_of_year: bool, form: str) -> None:
    letters: Sequence[DeadLetter] = state.dead_letters
    if form != "table":
        from contactd.mission.timetext import machine

        forms = [
            {
                "number": letter.number,
                "at": machine(letter.at, NEAREST),
                "channel": letter.channel,
                "attempts": letter.attempts,
                "reason": letter.reason,
                "alerts": list(letter.alerts),
                "message": letter.message,
            }
            for letter in letters
        ]
        as_json(forms) if form == "json" else as_csv(FIELDS, forms)
        return
    from contactd.faces.cli.tables import console, say

    screen = console()
    if not letters:
        say(screen, "Every message was delivered, or is still being tried.")
    for letter in letters:
        when = moment(letter.at, NEAREST, day_of_year=day_of_year)
        when += f" ({from_now(letter.at, now, NEAREST)})"
        head = f"{letter.number:>6}  {letter.channel}: given up {when}"
        say(screen, head, style="bold", hang=8)
        say(screen, f"after {letter.attempts} attempts: {letter.reason}", indent=8)
        for identity in letter.alerts:
            told = state.tracked.get(identity)
            if told is not None:
                say(screen, f"{told.alert.severity}: {told.alert.what}", indent=8, hang=2)
