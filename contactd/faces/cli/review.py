"""``contactd review``: planned against actual, after the fact."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen, read_configuration

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.record import Record
    from contactd.core.target import Target
    from contactd.faces.cli.screen import Screen
    from contactd.faces.review import Review, TargetReview


EVERYONE = "everyone"
LABELS = {"seen": "confirmed", "held": "hold", "unset": "expiry not known"}


@click.command("review")
@options.targets
@options.instant("from", "From when; what was known then is the plan.", "-1d")
@options.instant("to", "Until when; what was recorded later does not count.", "now")
@click.option("--format", "form", type=click.Choice(["table", "json", "csv"]), default="table")
@options.config
def command(
    target_names: tuple[str, ...], start: float, to: float, form: str, config_dir: str
) -> None:
    """Planned against actual for contacts, steps, readings and alerts between two times; and how
    many alarms demanded action of each role, day by day.

    A contact's AOS has moved by so much with newer elements. Where AOS and LOS were recorded, they
    are shown against that prediction.
    """
    begins, ends = start, to
    if ends <= begins:
        refuse("--from is after --to. Swap them.")
    from contactd.alerts.fold import AlertState, fold_alerts
    from contactd.alerts.quality import alarms_of, by_day
    from contactd.faces.cli.progress import with_progress
    from contactd.faces.cli.store import open_ledger
    from contactd.faces.review import gather
    from contactd.records.state import State, fold

    configuration = read_configuration(config_dir, ends)
    targets = chosen("target", target_names, configuration.targets)
    ledger = open_ledger(configuration)
    records = [] if ledger is None else [each for each in ledger.records() if each.at <= ends]
    state = fold(State(), records)
    reviews = [
        _target_review(target, configuration, records, begins, ends)
        for target in with_progress(targets, "Comparing")
    ]
    alerts = fold_alerts(AlertState(), records)
    figures = by_day(alarms_of(records), begins, ends)
    review = gather(
        reviews, state.missed_contacts, alerts, begins, ends, figures, state.observations
    )
    if form == "json":
        as_json(review.as_json())
    elif form == "csv":
        as_csv(*review.flat())
    else:
        _show(review)


def _target_review(
    target: Target,
    configuration: Configuration,
    records: list[Record],
    begins: float,
    ends: float,
) -> TargetReview:
    from contactd.core.ground.status import with_statuses
    from contactd.core.instants import DAY_S
    from contactd.core.planning import look_ahead
    from contactd.faces.cli.motion import motion_known_by
    from contactd.faces.cli.store import knowledge_of
    from contactd.faces.review import TargetReview
    from contactd.records.state import State, as_known_at, fold

    then, now = as_known_at(records, begins), fold(State(), records)
    before = motion_known_by(target, then.elements.get(target.name))
    knowledge = knowledge_of(now, target)
    span = (begins, ends)
    planned_with, stations = (
        list(with_statuses(configuration.stations, each.station_status).values())
        for each in (then, now)
    )
    elements = target.elements_for(ends)
    turns_per_day = elements.mean_motion_rev_per_day if elements else 15.0
    seen_from = min(ends, current().now)
    missed = now.missed_contacts.get(target.name, ())
    return TargetReview(
        planned=look_ahead(before, planned_with, knowledge_of(then, target), span, begins),
        actual=look_ahead(target, stations, knowledge, span, seen_from, missed=missed),
        knowledge=knowledge,
        half_period_s=DAY_S / turns_per_day / 2,
    )


def _show(review: Review) -> None:
    from contactd.faces.cli.tables import Column, console, say, show
    from contactd.mission.timetext import (
        NEAREST,
        NO_EARLIER,
        NO_LATER,
        Safe,
        length,
        moment,
        outer,
    )

    screen = console()

    def at(instant: float | None, safe: Safe = NEAREST) -> str:
        return "-" if instant is None else moment(instant, safe)

    def seconds(value: float | None) -> str:
        return "-" if value is None else f"{value:+.1f}"

    say(screen, f"Review of {moment(review.begins, NEAREST)} to {moment(review.ends, NEAREST)}")
    say(screen, "")
    say(screen, f"Contacts: {len(review.contacts)}")
    if review.contacts:
        columns = [
            Column("Target", wraps=True),
            Column("Station", wraps=True),
            Column("AOS", "UTC"),
            Column("Moved", "s", right=True),
            Column("AOS late", "s", right=True, optional=1),
            Column("LOS late", "s", right=True, optional=2),
            Column("Missed", wraps=True),
        ]
        rows = [
            (
                each.target,
                each.station,
                at(each.actual_aos if each.actual_aos is not None else each.planned_aos, NO_LATER),
                "gone"
                if each.actual_aos is None
                else "new"
                if each.planned_aos is None
                else seconds(each.residual_s),
                seconds(each.aos_late_s),
                seconds(each.los_late_s),
                each.missed or "",
            )
            for each in review.contacts
        ]
        show(columns, rows, screen)
    for step in review.steps:
        say(screen, "")
        say(screen, f"{step.step}: {LABELS.get(step.status, step.status)}")
        if step.planned is not None:
            say(screen, f"planned   {outer(step.planned[0], step.planned[2])}", indent=2)
        if step.expiry is not None and step.expiry != step.planned:
            say(screen, f"known     {outer(step.expiry[0], step.expiry[2])}", indent=2)
        if step.seen is not None:
            verdict = {True: "as planned", False: "not as planned", None: ""}[step.within]
            away = f", {seconds(step.residual_s)} s from nominal" if step.residual_s else ""
            say(
                screen,
                f"confirmed by {at(step.seen[1], NO_EARLIER)}{away} {verdict}".rstrip(),
                indent=2,
            )
    if review.readings:
        say(screen, "")
        say(screen, "Readings")
        for reading in review.readings:
            text = f"{at(reading.at)}  {reading.about}: {reading.read}"
            say(screen, f"{text} ({seconds(reading.residual_s)} s from plan)", indent=2, hang=4)
    _show_alarms(review, screen)
    say(screen, "")
    say(screen, f"Alerts: {len(review.alerts)}")
    for alert in review.alerts:
        took = max(alert.raised - alert.due, 0.0)
        late = f", late by {length(took, NO_EARLIER)}" if alert.late else ""
        taken = (
            f"acknowledged after {length(alert.acknowledged - alert.raised, NO_EARLIER)}"
            if alert.acknowledged is not None
            else "not acknowledged"
        )
        told = (
            "not delivered"
            if alert.delivered is None
            else f"delivered after {max(alert.delivered - alert.raised, 0.0):.1f} s"
        )
        text = f"{at(alert.raised)}  {alert.severity}: {alert.what}"
        say(screen, f"{text} ({told}{late}, {taken})", indent=2, hang=4)


def _show_alarms(review: Review, screen: Screen) -> None:
    """The figures of alarms, a row for each day and role."""
    from contactd.faces.cli.tables import Column, say, show
    from contactd.mission.timetext import NEAREST, NO_EARLIER, length, moment

    if not any(each.alarms or each.standing or each.silenced for each in review.alarms):
        return
    say(screen, "")
    say(screen, "Alarms that demand action")
    columns = [
        Column("From", "UTC"),
        Column("Role", wraps=True),
        Column("Alarms", right=True),
        Column("Mean", "10 min", right=True),
        Column("Peak", "10 min", right=True),
        Column("Flood", "%", right=True),
        Column("Over", "1 day", right=True),
        Column("Chatter", right=True),
        Column("Again", right=True),
        Column("Acknowledged", "median", right=True),
    ]
    rows = [
        (
            moment(each.begins, NEAREST),
            each.role,
            str(each.alarms),
            f"{each.mean_per_10min:.2f}",
            str(each.peak_per_10min),
            f"{100 * each.flood_share:.0f}",
            str(each.standing),
            str(each.chattering),
            str(each.repeats),
            "-" if each.median_s is None else length(each.median_s, NO_EARLIER),
        )
        for each in review.alarms
    ]
    show(columns, rows, screen)
    for each in review.alarms:
        if each.role == EVERYONE and each.alarms:
            shares = ", ".join(f"{100 * v:.0f} % {k}" for k, v in each.priorities.items())
            top = ", ".join(f"{count} {kind}" for kind, count in each.top)
            began = moment(each.begins, NEAREST)
            text = f"{began}: {shares}; {top}; {each.silenced} silenced, {each.notices} notices"
            say(screen, text, indent=2, hang=4)
