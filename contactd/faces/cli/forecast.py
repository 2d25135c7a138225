"""``contactd forecast``: when each step expires, and who will see it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, complain, tell
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen
from contactd.faces.cli.watched import read_watched
from contactd.mission.timetext import (
    NEAREST,
    NO_EARLIER,
    NO_LATER,
    from_now,
    length,
    moment,
    outer,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from contactd.config.configuration import Configuration
    from contactd.core.ground.station import Station
    from contactd.core.outlook import TargetOutlook
    from contactd.core.sequences.model import StepForecast
    from contactd.core.target import Target
    from contactd.faces.cli.forecast_table import ForecastPage
    from contactd.records.state import State

PLOTTED_S = 86_400.0


@click.command("forecast")
@options.targets
@options.instant("at", "Forecast as seen at this time, from what was known by then.", "now")
@click.option("--explain", is_flag=True, help="Show the facts that each answer rests on.")
@click.option(
    "--survive",
    type=click.IntRange(0, 2),
    default=0,
    help="Show the stop-by that is left whichever so many stations are lost.",
)
@options.plot
@options.day_of_year
@options.output_format
@options.config
def command(
    target_names: tuple[str, ...],
    at: float,
    explain: bool,
    survive: int,
    plot: Path | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """Show each step's expiry, whether it is covered, stop-by and keep-clear.

    Rests on the configuration and on what the ledger knows beyond it. That a step is uncovered is
    an answer, not a failure: the exit code is 1 only if a target cannot be predicted in full.
    """
    configuration = read_watched(config_dir, at)
    targets = chosen("target", target_names, configuration.targets)

    from contactd.faces.cli.progress import with_progress
    from contactd.faces.cli.store import state_of

    now = current().now
    state = state_of(configuration, at if at < now else None)
    outlooks = [
        outlook_of(target, configuration, state, at)
        for target in with_progress(targets, "Forecasting")
    ]
    for outlook in outlooks:
        comment(outlook, at)
    if plot is not None:
        _plot(plot, outlooks, at)
    if form == "table":
        from contactd.faces.cli.forecast_table import ForecastPage
        from contactd.faces.cli.tables import console

        _show(outlooks, ForecastPage(console(), at, day_of_year, explain, survive))
    else:
        explained = explain and form == "json"
        forms = [each for outlook in outlooks for each in _forms(outlook, at, explained)]
        if form == "json":
            as_json(forms)
            return
        from contactd.mission.documents.models import ForecastStep as Document

        as_csv(*flat(tuple(Document.__annotations__), forms))


def _plot(path: Path, outlooks: list[TargetOutlook], at: float) -> None:
    """Coverage and steps of the one target that has a sequence, or of the first."""
    from contactd.faces.pictures.draw import draw_coverage

    if not outlooks:
        return
    drawn = next((each for each in outlooks if each.forecasts), outlooks[0])
    latest = [
        step.latest for each in drawn.forecasts for step in each.steps if step.latest is not None
    ]
    end = max([at + PLOTTED_S, *(each + PLOTTED_S / 24 for each in latest)])
    draw_coverage(path, drawn, at, min(end, drawn.span[1]))


def outlook_of(
    target: Target,
    configuration: Configuration,
    state: State,
    at: float,
    span: tuple[float, float] | None = None,
    stations: Sequence[Station] | None = None,
) -> TargetOutlook:
    """The target's outlook at an instant (s), as the service would have it.

    Args:
        span: (start, end) instants (s); None for the configured horizon.
        stations: None for all.
    """
    from contactd.core.allocation.schedule import time_given
    from contactd.core.ground.status import with_status
    from contactd.core.planning import look_ahead
    from contactd.faces.cli.store import knowledge_of

    horizon = configuration.settings.horizon
    span = span or (at - horizon.back_s, at + horizon.ahead_s)
    given = configuration.stations.values() if stations is None else stations
    stations = [with_status(each, state.station_status.get(each.name, ())) for each in given]
    shared = state.station_time if configuration.settings.station_time is not None else None
    granted = time_given(target.name, configuration.stations, shared, state.confirmed)
    missed = state.missed_contacts.get(target.name, ())
    return look_ahead(target, stations, knowledge_of(state, target), span, at, granted, missed)


def comment(outlook: TargetOutlook, now: float) -> None:
    """Say what is wrong with a target's prediction."""
    elements = outlook.elements
    if elements is not None and elements.is_stale(now):
        tell(
            f"note: {outlook.target}: the elements are "
            f"{length(abs(now - elements.epoch), NO_EARLIER)} from their epoch and stale after "
            f"{length(elements.stale_after_s, NO_LATER)}. Get a newer set."
        )
    if outlook.problem is not None:
        complain(f"{outlook.target}: {outlook.problem}")
    for start, end in outlook.gaps if outlook.problem is None else ():
        if end > now:
            tell(
                f"note: {outlook.target}: no prediction {outer(start, end)}. "
                "Contacts may be missing."
            )


def flat(
    fields: tuple[str, ...], forms: list[dict[str, Any]]
) -> tuple[list[str], list[dict[str, Any]]]:
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


def _forms(outlook: TargetOutlook, at: float, explain: bool) -> list[dict[str, Any]]:
    """The steps' documents; with ``explain``, each with the field ``why`` beside the others."""
    from contactd.mission.documents.service import forecast_forms

    forms = forecast_forms(outlook, at)
    if not explain:
        return forms
    steps = [step for forecast in outlook.forecasts for step in forecast.steps]
    return [
        {**form, "why": why_form(step, outlook, at)}
        for form, step in zip(forms, steps, strict=True)
    ]


def why_form(step: StepForecast, outlook: TargetOutlook, at: float) -> dict[str, Any]:
    """What a step's forecast follows from."""
    from contactd.mission.documents.steps import facts_form
    from contactd.mission.texts.cause import reasons_of

    return {
        "reasons": reasons_of(step),
        "facts": facts_form(step),
        "elements": elements_fact(outlook, at, False),
    }


def orbit_fact(outlook: TargetOutlook) -> str | None:
    """How well the orbit is known that an outlook rests on."""
    from contactd.mission.texts.orbit_error import orbit_error_text

    known = outlook.elements
    return None if known is None else orbit_error_text(known.error, known.timing_error_s)


def elements_fact(outlook: TargetOutlook, at: float, day_of_year: bool) -> str | None:
    """The elements that an outlook rests on, and their age at an instant (s)."""
    elements = outlook.elements
    if elements is None:
        return None
    from contactd.mission.texts.orbit_error import orbit_error_text

    return (
        f"elements of {moment(elements.epoch, NEAREST, day_of_year=day_of_year)} "
        f"({from_now(elements.epoch, at, NEAREST)}) from {elements.source}, "
        f"{orbit_error_text(elements.error, elements.timing_error_s)}"
    )


def _show(outlooks: list[TargetOutlook], page: ForecastPage) -> None:
    from contactd.faces.cli.tables import say

    screen, at, day_of_year = page.screen, page.now, page.day_of_year
    say(screen, f"Forecast as of {moment(at, NEAREST, day_of_year=day_of_year)}")
    for outlook in outlooks:
        fact = elements_fact(outlook, at, day_of_year) if page.explain else orbit_fact(outlook)
        if fact and outlook.forecasts:
            say(screen, "")
            say(screen, f"{outlook.target}: {fact}", hang=2)
        for forecast in outlook.forecasts:
            say(screen, "")
            page.show(forecast)
    if not any(outlook.forecasts for outlook in outlooks):
        say(screen, "No target has a sequence.")
