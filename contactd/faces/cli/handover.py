"""``contactd handover``: what the next shift must know."""

from __future__ import annotations

from pathlib import Path

import click

from contactd.faces.cli import options
from contactd.faces.cli.export.writing import output, write
from contactd.faces.cli.output import as_csv, as_json, refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.times import duration_s
from contactd.faces.cli.watched import read_watched
from contactd.mission.timetext import NEAREST, moment

SHIFT_S = 8 * 3600.0
FORMATS = ("table", "markdown", "pdf", "json", "csv")


def _length(_context: click.Context, _parameter: click.Parameter, text: str) -> float:
    try:
        return duration_s(text)
    except ValueError as problem:
        raise click.BadParameter(str(problem)) from None


@click.command("handover")
@options.instant("at", "Handover at this time, from what was known by then.", "now")
@options.instant("from", "When the shift that ends began.  [default: 8 h before --at]")
@click.option("--next", "ahead_s", default="8h", show_default=True, callback=_length)
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
@output
@options.config
def command(
    at: float,
    start: float | None,
    ahead_s: float,
    form: str,
    output: Path | None,
    config_dir: str,
) -> None:
    """What changed, what is known and how well, what is coming, what is open, who decided what.

    First what is open, and every hazard, stop and doubt to be read back; the rest is an appendix.
    `contactd record handover` hands over, `contactd record read-back` confirms.

    --next is how long the shift that begins will last. With --format pdf or markdown, --output
    names the file.
    """
    from contactd.alerts.fold import AlertState, fold_alerts
    from contactd.alerts.quality import alarms_of
    from contactd.core.outlook import Snapshot
    from contactd.faces.cli.forecast import outlook_of
    from contactd.faces.cli.progress import with_progress
    from contactd.faces.cli.store import open_ledger
    from contactd.faces.handover import gather
    from contactd.records.state import State, fold

    past = at < current().now
    now, since = at, at - SHIFT_S if start is None else start
    if since > now:
        refuse("--from is after --at. Swap them.")
    configuration = read_watched(config_dir, at)
    ledger = open_ledger(configuration)
    records = [] if ledger is None else list(ledger.records())
    if past:
        records = [record for record in records if record.at <= at]
    state = fold(State(), records)
    outlooks = [
        outlook_of(target, configuration, state, now)
        for target in with_progress(list(configuration.targets.values()), "Forecasting")
    ]
    alerts = fold_alerts(AlertState(), records)
    said = {name: each.alert.what for name, each in alerts.tracked.items()}
    snapshot = Snapshot(
        now,
        targets={each.target: each for each in outlooks},
        stations=configuration.stations,
        alerts=tuple(alerts.open_alerts(now)),
        handover=state.handover,
        station_time=state.station_time if configuration.sharing is not None else None,
    )
    handover = gather(records, snapshot, said, since, now, now + ahead_s, alarms_of(records))

    from contactd.faces.handover.render import SECTIONS, flat, lines, markdown, pdf, read_back_lines

    if form == "json":
        as_json(handover.as_json())
    elif form == "csv":
        as_csv(*flat(handover))
    elif form == "pdf":
        write(pdf(handover), output)
    elif form == "markdown":
        write(markdown(handover).encode(), output)
    else:
        from contactd.faces.cli.tables import console, say

        screen = console()
        made_at, began = moment(handover.now, NEAREST), moment(since, NEAREST)
        say(screen, f"Shift handover at {made_at}, of the shift since {began}")
        for line in read_back_lines(handover):
            say(screen, line, indent=2, hang=4)
        for title, name, otherwise in SECTIONS:
            say(screen, "")
            say(screen, title)
            for line in lines(getattr(handover, name), otherwise):
                say(screen, line, indent=2, hang=4)
        if handover.notice:
            say(screen, "")
            say(screen, handover.notice, hang=2)
