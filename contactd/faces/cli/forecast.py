"""``contactd forecast``: when each step runs out, and who will see it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import WRONG, as_csv, as_json, tell
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen, read_configuration
from contactd.faces.cli.times import length, moment

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.outlook import TargetOutlook
    from contactd.core.planning import Target
    from contactd.records.state import State


@click.command("forecast")
@options.targets
@options.instant("at", "As seen at this time, from what was known by then.", "now")
@options.day_of_year
@options.output_format
@options.config
def command(
    target_names: tuple[str, ...], at: float, day_of_year: bool, form: str, config_dir: str
) -> None:
    """Each step's expiry, whether a station serves it, stop-by and keep-clear.

    Rests on the configuration and on what the ledger knows beyond it. That a step is unserved is
    an answer, not a failure: the exit code is 1 only if a target cannot be predicted in full.
    """
    configuration = read_configuration(config_dir)
    targets = chosen("target", target_names, configuration.targets)

    from contactd.faces.cli.ledger import state_of
    from contactd.faces.cli.progress import with_progress

    now = current().now
    state = state_of(configuration, at if at < now else None)
    outlooks = [
        outlook_of(target, configuration, state, at)
        for target in with_progress(targets, "Forecasting")
    ]
    wrong = sum([complain(outlook, at) for outlook in outlooks])
    if form == "table":
        _show(outlooks, at, day_of_year)
    else:
        from contactd.faces.contract import FORECAST_FIELDS, forecast_forms

        forms = [form for outlook in outlooks for form in forecast_forms(outlook.forecasts)]
        as_json(forms) if form == "json" else as_csv(*flat(FORECAST_FIELDS, forms))
    raise click.exceptions.Exit(WRONG if wrong else 0)


def outlook_of(
    target: Target, configuration: Configuration, state: State, at: float
) -> TargetOutlook:
    """The target's outlook at an instant (s), over the configured horizon."""
    from contactd.core.planning import look_ahead
    from contactd.faces.cli.ledger import knowledge_of

    horizon = configuration.settings.horizon
    span = (at - horizon.back_s, at + horizon.ahead_s)
    stations = list(configuration.stations.values())
    return look_ahead(target, stations, knowledge_of(state, target), span, at)


def complain(outlook: TargetOutlook, now: float) -> bool:
    """Say what is wrong with a target's prediction; whether it is incomplete."""
    elements = outlook.elements
    if elements is not None and elements.is_stale(now):
        tell(
            f"caution: {outlook.target}: the elements are {length(now - elements.epoch)} old and "
            f"stale after {length(elements.stale_after_s)}: get a newer set"
        )
    if outlook.problem is None:
        return False
    tell(f"{outlook.target}: {outlook.problem}")
    return True


def flat(
    fields: tuple[str, ...], forms: list[dict[str, object]]
) -> tuple[list[str], list[dict[str, object]]]:
    """The forms with the keep-clear in two columns, as CSV wants it."""
    names = [name for name in fields if name != "keep_clear"]
    rows = []
    for form in forms:
        row = {name: form[name] for name in names}
        keep_clear = form["keep_clear"]
        assert keep_clear is None or isinstance(keep_clear, dict)
        row["keep_clear_from"] = keep_clear and keep_clear["from"]
        row["keep_clear_to"] = keep_clear and keep_clear["to"]
        rows.append(row)
    return [*names, "keep_clear_from", "keep_clear_to"], rows


def _show(outlooks: list[TargetOutlook], at: float, day_of_year: bool) -> None:
    from contactd.faces.cli.forecast_table import ForecastPage
    from contactd.faces.cli.tables import console, say

    screen = console()
    page = ForecastPage(screen, at, day_of_year)
    forecasts = [forecast for outlook in outlooks for forecast in outlook.forecasts]
    say(screen, f"Forecast as of {moment(at, day_of_year)}")
    for forecast in forecasts:
        say(screen, "")
        page.show(forecast)
    if not forecasts:
        say(screen, "No target has a sequence.")
