"""``contactd rehearse``: the same service on a simulated clock, as a script directs it."""

from __future__ import annotations

from typing import Any

import click

from contactd.faces.cli.output import as_json
from contactd.faces.cli.session import current

SPEED_HELP = (
    "Live, so many times as fast as the clock, with the page; without it: at once, without a page."
)


@click.command("rehearse")
@click.argument("script", type=click.Path(exists=True, dir_okay=False))
@click.option("--speed", type=click.FloatRange(0.01, 10_000), help=SPEED_HELP)
@click.option("--port", type=click.IntRange(1, 65_535), default=8011, show_default=True)
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@click.option("--log/--no-log", default=False, help="Show the service's log as well.")
def command(script: str, speed: float | None, port: int, form: str, log: bool) -> None:
    """Rehearse SCRIPT, a YAML file, and report what was alerted, done and missed.

    The very same service runs on a simulated clock. It has a ledger of its own and only the
    channels that the script names; the real ones are never touched. With --speed it prints a token:
    whoever signs in with it on the page may pause it, change its speed, jump ahead to what happens
    next, and enter things. Exit code 1 if an expectation of the script did not hold.
    """
    options = {"speed": speed, "port": port, "log": log}
    report = current().rehearse(script, options)
    if form == "json":
        as_json(report.as_json())
    else:
        _print(report)
    raise click.exceptions.Exit(0 if report.all_held else 1)


def _print(report: Any) -> None:
    click.echo(f"Rehearsal: {report.title}")
    for each in report.timeline:
        _print_line(after(each.after_s), each.what)
    held = sum(each.held for each in report.judgements)
    click.echo(f"\nExpectations: {held} of {len(report.judgements)} held")
    for each in report.judgements:
        verdict = "held" if each.held else "NOT HELD"
        when = "never met" if each.met_s is None else f"met at {after(each.met_s)}"
        _print_line(after(each.by_s), f"{verdict}: {each.expectation} ({when})")
    _print_alarms(report)


def _print_alarms(report: Any) -> None:
    if not report.alarms:
        return
    click.echo("\nAlarms that demand action, in 10 min")
    for each in report.alarms:
        share = f"{100 * each.flood_share:.0f} %"
        text = f"mean {each.mean_per_10min:.2f}, peak {each.peak_per_10min}, in flood {share}"
        click.echo(f"{each.alarms:>11}  {each.role}: {text}")


def _print_line(left: str, text: str) -> None:
    import shutil
    import textwrap

    width = shutil.get_terminal_size().columns
    for number, line in enumerate(textwrap.wrap(text, max(min(width, 100) - 13, 40))):
        click.echo(f"{left if not number else '':>11}  {line}")


def after(seconds: float) -> str:
    """``+01:05:00``: hours, minutes and seconds after the beginning."""
    whole = round(seconds)
    return f"+{whole // 3600:02d}:{whole % 3600 // 60:02d}:{whole % 60:02d}"
