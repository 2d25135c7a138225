"""``contactd align``: settings and start times that keep every step covered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.forecast import elements_fact, why_form
from contactd.faces.cli.output import as_csv, as_json, complain, refuse, tell
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, sequence_of
from contactd.faces.cli.times import Duration, SignedDuration, duration_s
from contactd.faces.cli.watched import read_watched

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
    help="Give a setting that is chosen already (repeatable); the others are searched.",
)
@click.option("--as-set", is_flag=True, help="Keep every setting as the ledger or the file has it.")
@click.option(
    "--rank",
    type=click.Choice(RANKS),
    default="margin",
    show_default=True,
    help="Put first the greatest margin, the earliest finish, or the most stations.",
)
@click.option(
    "--survive",
    type=click.Choice(ROBUST),
    default="nothing",
    show_default=True,
    help="Keep every step covered after one missed contact, or one lost station.",
)
@click.option(
    "--limit",
    "most",
    type=click.IntRange(1, 100),
    default=5,
    show_default=True,
    metavar="COUNT",
    help="Maximum number of options.",
)
@click.option(
    "--least-margin",
    "least_margin_s",
    type=Duration(),
    default="0s",
    show_default=True,
    metavar="DURATION",
    help="Leave out options with less margin.",
)
@click.option(
    "--slip",
    "slip_s",
    type=SignedDuration(),
    metavar="DURATION",
    help="Show what the best option loses if its start slips by this (-5min: earlier).",
)
@click.option(
    "--explain", is_flag=True, help="Show what each step's bounds and coverage follow from."
)
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
    as_set: bool,
    rank: str,
    survive: str,
    most: int,
    least_margin_s: float,
    slip_s: float | None,
    explain: bool,
    plot: Path | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """Find settings and start times for SEQUENCE of TARGET that keep every step covered.

    With every setting given (--setting, --as-set) the options are the start times that remain. When
    nothing is feasible, say what blocks it and the smallest relaxation; the exit code is then 1.
    """
    configuration = read_watched(config_dir)
    target = one("target", target_name, configuration.targets)
    sequence = sequence_of(target, sequence_name)
    settings = _settings(configuration, target, sequence, given, as_set)
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
        tell("note: the search ended at its bound. A better option may exist.")
    if plot is not None:
        _plot(plot, aligned, sequence, prediction, allowed)
    _print(aligned, sequence, prediction, allowed, slip_s, explain, day_of_year, form)


def _plot(
    path: Path,
    aligned: Alignment,
    sequence: TimedSequence,
    prediction: Prediction,
    allowed: tuple[float, float],
) -> None:
    """Margin against start time, with the settings of the best option."""
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
    as_set: bool,
) -> dict[str, float]:
    """Settings that are chosen already, in seconds, by step."""
    variable = {each.name: each for each in sequence.steps if each.delay.setting is not None}
    settings: dict[str, float] = {}
    if as_set:
        from contactd.faces.cli.store import knowledge_of, state_of

        known = knowledge_of(state_of(configuration), target).get(sequence.name)
        for name, step in variable.items():
            assert step.delay.setting is not None
            value = step.delay.setting.chosen_s
            if known is not None:
                value = known.settings.get(name, value)
            if value is None:
                refuse(f"No setting of '{name}' is known. Add --setting '{name}=DURATION'.")
            settings[name] = value
    for text in given:
        name, equals, length = text.rpartition("=")
        if not equals:
            refuse(
                f"--setting {text!r} has no step. Write STEP=DURATION, such as 'receiver on=2h'."
            )
        try:
            settings[one("setting", name, variable).name] = duration_s(length)
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
            "--from is after --to. Swap them."
            if start is not None and to is not None
            else "The allowed start is past. Give a later --from and --to."
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
        setting = step.delay.setting
        reach_s += step.delay.fixed_s if setting is None else setting.greatest_s
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
    explain: bool,
    day_of_year: bool,
    form: str,
) -> None:
    from contactd.core.sequences.align import slip
    from contactd.mission.documents.steps import alignment_form, step_form

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
        if explain:
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

        rests_on = (
            elements_fact(prediction.outlook, current().now, day_of_year) if explain else None
        )
        show_alignment(
            console(), sequence, aligned, slipped, allowed, day_of_year, explain, rests_on
        )


def _explain(document: dict[str, Any], aligned: Alignment, prediction: Prediction) -> None:
    """Add to each step of the contract's form what it follows from."""
    for form, option in zip(document["options"], aligned.options, strict=True):
        for step_document, step in zip(form["steps"], option.steps, strict=True):
            step_document["why"] = why_form(step, prediction.outlook, current().now)


def _as_csv(aligned: Alignment) -> None:
    """A row a step of each option; where there is none, a row a blocker."""
    from contactd.mission.documents.steps import alignment_form

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
