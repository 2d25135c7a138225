"""``contactd align``: settings and start times that keep every step in view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.forecast import elements_fact, why_form
from contactd.faces.cli.output import as_csv, as_json, complain, refuse, tell
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, read_configuration, sequence_of
from contactd.faces.cli.times import Duration, SignedDuration, duration_s, moment

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.planning import Prediction
    from contactd.core.sequences.align import Alignment
    from contactd.core.sequences.model import Sequence as TimedSequence
    from contactd.core.target import Target

RANKS = ("margin", "finish", "stations")
ROBUST = ("nothing", "contact", "station")


@click.command("align")
@click.argument("target_name", metavar="TARGET")
@click.argument("sequence_name", metavar="SEQUENCE")
@options.instant("from", "Earliest start.  [default: as the target's file says, or now]")
@options.instant("to", "Latest start.  [default: as the target's file says, or the horizon]")
@click.option(
    "--setting",
    "given",
    multiple=True,
    metavar="STEP=DURATION",
    help="A dial that is set already (repeatable); the others are chosen.",
)
@click.option(
    "--as-dialled", is_flag=True, help="Leave every dial where the ledger or the file says it is."
)
@click.option(
    "--rank",
    type=click.Choice(RANKS),
    default="margin",
    show_default=True,
    help="Best is: greatest margin, earliest finish, or most stations.",
)
@click.option(
    "--survive",
    type=click.Choice(ROBUST),
    default="nothing",
    show_default=True,
    help="No step may be uncovered after one missed contact, or one lost station.",
)
@click.option(
    "--most", type=click.IntRange(1, 100), default=5, show_default=True, help="So many options."
)
@click.option(
    "--least-margin",
    "least_margin_s",
    type=Duration(),
    default="0s",
    show_default=True,
    metavar="DURATION",
    help="No option with less margin.",
)
@click.option(
    "--slip",
    "slip_s",
    type=SignedDuration(),
    metavar="DURATION",
    help="What the best option loses if its start slips by this (-5min: earlier).",
)
@click.option("--why", is_flag=True, help="Say what each step's bounds and verdict follow from.")
@options.plot
@options.day_of_year
@options.output_format
@options.config
def command(
    target_name: str,
    sequence_name: str,
    start: float | None,
    to: float | None,
    given: tuple[str, ...],
    as_dialled: bool,
    rank: str,
    survive: str,
    most: int,
    least_margin_s: float,
    slip_s: float | None,
    why: bool,
    plot: Path | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """Settings and start times for SEQUENCE of TARGET that keep every step covered, best first.

    With every dial set (--setting, --as-dialled) the options are the start times that remain. When
    nothing is feasible, say what blocks it and the smallest relaxation; the exit code is then 1.
    """
    configuration = read_configuration(config_dir)
    target = one("target", target_name, configuration.targets)
    sequence = sequence_of(target, sequence_name)
    settings = _settings(configuration, target, sequence, given, as_dialled)
    allowed = _allowed(configuration, sequence, start, to)
    prediction = _predict(configuration, target, sequence, allowed)

    from contactd.core.intervals import IntervalSet
    from contactd.core.sequences.align import Rank, Robust, align

    outlook = prediction.outlook
    if outlook.problem is not None:
        complain(f"{target.name}: {outlook.problem}")
    aligned = align(
        sequence,
        outlook.services,
        outlook.span,
        starts=IntervalSet([allowed[0]], [allowed[1]]),
        settings=settings,
        conditions=prediction.conditions,
        light_time_s=prediction.light_time_s,
        rank=Rank(rank),
        robust={
            "nothing": Robust.NOTHING,
            "contact": Robust.CONTACT,
            "station": Robust.STATION,
        }[survive],
        most=most,
        least_margin_s=least_margin_s,
    )
    if not aligned.options:
        current().wrong = True
    if not aligned.complete:
        tell("caution: the search was given up at its bound; a better option may exist")
    if plot is not None:
        _plot(plot, aligned, sequence, prediction, allowed)
    _print(aligned, sequence, prediction, allowed, slip_s, why, day_of_year, form)


def _plot(
    path: Path,
    aligned: Alignment,
    sequence: TimedSequence,
    prediction: Prediction,
    allowed: tuple[float, float],
) -> None:
    """Margin against start time, with the dials of the best option."""
    from contactd.core.intervals import EMPTY, IntervalSet
    from contactd.core.sequences.align import remaining_starts
    from contactd.faces.pictures.draw import draw_margin

    starts = EMPTY
    if aligned.options:
        outlook = prediction.outlook
        starts = remaining_starts(
            sequence,
            outlook.services,
            outlook.span,
            aligned.options[0].settings,
            starts=IntervalSet([allowed[0]], [allowed[1]]),
            conditions=prediction.conditions,
        )
    draw_margin(path, f"Margin of {sequence.name}, {sequence.target}", starts, *allowed)


def _settings(
    configuration: Configuration,
    target: Target,
    sequence: TimedSequence,
    given: Sequence[str],
    as_dialled: bool,
) -> dict[str, float]:
    """Dials that stand already, in seconds, by step."""
    dials = {each.name: each for each in sequence.steps if each.delay.setting is not None}
    settings: dict[str, float] = {}
    if as_dialled:
        from contactd.faces.cli.store import knowledge_of, state_of

        known = knowledge_of(state_of(configuration), target).get(sequence.name)
        for name, step in dials.items():
            assert step.delay.setting is not None
            value = step.delay.setting.chosen_s
            if known is not None:
                value = known.settings.get(name, value)
            if value is None:
                refuse(f"found no setting of {name}; expected --setting '{name}=DURATION' too")
            settings[name] = value
    for text in given:
        name, equals, length = text.rpartition("=")
        if not equals:
            refuse(f"found --setting {text!r}; expected STEP=DURATION, such as 'receiver on=2h'")
        try:
            settings[one("dial", name, dials).name] = duration_s(length)
        except ValueError as problem:
            refuse(f"--setting {name}: {problem}")
    return settings


def _allowed(
    configuration: Configuration, sequence: TimedSequence, start: float | None, to: float | None
) -> tuple[float, float]:
    """The span of allowed starts (instants, s): as given, else as planned, else ahead of now."""
    now = current().now
    planned = sequence.start
    first, last = planned.earliest, planned.latest
    if first is None or last is None or first == last:
        first, last = now, now + configuration.settings.horizon.ahead_s
    if start is not None and to is None and last <= start:
        last = start + configuration.settings.horizon.ahead_s
    first = max(first, now) if start is None else start
    last = last if to is None else to
    if last <= first:
        refuse(
            f"found no time to start in: from {moment(first)} to {moment(last)}; expected --from "
            "before --to, and a start that is still to come"
        )
    return first, last


def _predict(
    configuration: Configuration,
    target: Target,
    sequence: TimedSequence,
    allowed: tuple[float, float],
) -> Prediction:
    """Contacts and coverage as far as any setting can reach from any allowed start."""
    from contactd.core.planning import CONFIRMED_WITHIN_S, FARTHEST_AHEAD_S, predict_target

    reach_s = CONFIRMED_WITHIN_S
    for step in sequence.steps:
        dial = step.delay.setting
        reach_s += step.delay.fixed_s if dial is None else dial.greatest_s
        reach_s += max((need.after_s for need in step.needs), default=0.0)
        reach_s += step.delay.error_bound_s
    end = min(allowed[1] + reach_s, allowed[0] + FARTHEST_AHEAD_S)
    span = (allowed[0] - configuration.settings.horizon.back_s, end)
    stations = list(configuration.stations.values())
    return predict_target(target, stations, span, current().now)


def _print(
    aligned: Alignment,
    sequence: TimedSequence,
    prediction: Prediction,
    allowed: tuple[float, float],
    slip_s: float | None,
    why: bool,
    day_of_year: bool,
    form: str,
) -> None:
    from contactd.core.sequences.align import slip
    from contactd.faces.contract import alignment_form, step_form

    slipped = None
    if slip_s is not None and aligned.options:
        outlook = prediction.outlook
        slipped = slip(
            sequence,
            aligned.options[0],
            outlook.services,
            outlook.span,
            slip_s,
            conditions=prediction.conditions,
            light_time_s=prediction.light_time_s,
        )
    if form == "json":
        document = alignment_form(aligned)
        if why:
            _explain(document, aligned, prediction)
        if slipped is not None:
            document["slip"] = {
                "slip_s": slipped.slip_s,
                "lost": list(slipped.lost),
                "danger": list(slipped.danger),
                "steps": [step_form(step) for step in slipped.steps],
            }
        as_json(document)
    elif form == "csv":
        _as_csv(aligned)
    else:
        from contactd.faces.cli.align_table import show_alignment
        from contactd.faces.cli.tables import console

        rests_on = elements_fact(prediction.outlook, current().now, day_of_year) if why else None
        show_alignment(console(), sequence, aligned, slipped, allowed, day_of_year, why, rests_on)


def _explain(document: dict[str, Any], aligned: Alignment, prediction: Prediction) -> None:
    """Add to each step of the contract's form what it follows from."""
    for form, option in zip(document["options"], aligned.options, strict=True):
        for step_document, step in zip(form["steps"], option.steps, strict=True):
            step_document["why"] = why_form(step, prediction.outlook, current().now)


def _as_csv(aligned: Alignment) -> None:
    """A row a step of each option; where there is none, a row a blocker."""
    from contactd.faces.contract import alignment_form

    document = alignment_form(aligned)
    if not aligned.options:
        as_csv(("step", "reason", "relaxation"), document["blocked_by"])
        return
    whole = ("start_from", "start_until", "best_start")
    rows: list[Mapping[str, object]] = [
        {
            "option": number,
            **{name: option[name] for name in whole},
            "option_margin_s": option["margin_s"],
            "setting_s": option["settings"].get(step["step"]),
            **step,
        }
        for number, option in enumerate(document["options"], 1)
        for step in option["steps"]
    ]
    as_csv(list(rows[0]), rows)
