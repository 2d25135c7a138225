"""``contactd handover``: what the next shift must know."""

from __future__ import annotations

from pathlib import Path

import click

from contactd.faces.cli import options
from contactd.faces.cli.export.writing import output, write
from contactd.faces.cli.output import as_json
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import read_configuration
from contactd.faces.cli.times import duration_s

FORMATS = ("table", "markdown", "pdf", "json")


def _length(_context: click.Context, _parameter: click.Parameter, text: str) -> float:
    try:
        return duration_s(text)
    except ValueError as problem:
        raise click.BadParameter(str(problem)) from None


@click.command("handover")
@options.instant("since", "When the shift that ends began.", "-8h")
@click.option("--next", "ahead_s", default="8h", show_default=True, callback=_length)
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
@output
@options.config
def command(since: float, ahead_s: float, form: str, output: Path | None, config_dir: str) -> None:
    """What changed, what is known and how well, what is coming, what is open, who decided what.

    --next is how long the shift that begins will last. With --format pdf or markdown, --output
    names the file.
    """
    from contactd.alerts.fold import AlertState, fold_alerts
    from contactd.faces.cli.forecast import outlook_of
    from contactd.faces.cli.motion import with_fetched_elements
    from contactd.faces.cli.progress import with_progress
    from contactd.faces.cli.store import open_ledger
    from contactd.faces.handover import gather
    from contactd.records.state import State, fold

    configuration = with_fetched_elements(read_configuration(config_dir))
    now = current().now
    ledger = open_ledger(configuration)
    records = [] if ledger is None else list(ledger.records())
    state = fold(State(), records)
    outlooks = [
        outlook_of(target, configuration, state, now)
        for target in with_progress(list(configuration.targets.values()), "Forecasting")
    ]
    alerts = fold_alerts(AlertState(), records)
    said = {name: each.alert.what for name, each in alerts.tracked.items()}
    waiting = alerts.open_alerts(now)
    handover = gather(records, waiting, said, outlooks, since, now, now + ahead_s)

    from contactd.faces.handover.render import SECTIONS, lines, markdown, moment, pdf

    if form == "json":
        as_json(handover.as_json())
    elif form == "pdf":
        write(pdf(handover), output)
    elif form == "markdown":
        write(markdown(handover).encode(), output)
    else:
        from contactd.faces.cli.tables import console, say

        screen = console()
        say(screen, f"Handover at {moment(handover.now)}, of the shift since {moment(since)}")
        for title, name, otherwise in SECTIONS:
            say(screen, "")
            say(screen, title)
            for line in lines(getattr(handover, name), otherwise):
                say(screen, line, indent=2, hang=4)
        if handover.notice:
            say(screen, "")
            say(screen, f"caution: {handover.notice}", hang=2)
