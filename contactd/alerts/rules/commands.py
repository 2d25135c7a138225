"""Countdowns that commands begin anew: that one is needed, that few windows are left, a doubt."""

from __future__ import annotations

from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.step import StepAtHand
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.mission.texts import commands as texts

FEW_WINDOWS = 2


def command_candidates(each: StepAtHand) -> Iterator[Candidate]:
    """What is worth telling of a countdown that commands begin anew."""
    step, now = each.step, each.scope.now
    assert step.earliest is not None
    assert step.latest is not None
    whole = step.earliest, step.latest
    if step.parts:
        yield each.candidate(
            kinds.COMMAND_IN_DOUBT,
            Sort.CONDITION,
            Severity.ADVISORY,
            texts.command_in_doubt(step, now),
            due=now,
            moment=step.earliest,
            over_at=step.latest,
            span=whole,
        )
    needed = step.next_command
    if needed is None:
        return
    if needed.windows_left <= FEW_WINDOWS:
        yield each.candidate(
            kinds.COMMAND_WINDOWS_FEW,
            Sort.CONDITION,
            Severity.CAUTION if needed.by is not None else Severity.WARNING,
            texts.command_windows_few(step, needed, now, each.notice),
            due=now,
            moment=needed.by or step.earliest,
            over_at=step.latest,
            span=whole,
        )
    if needed.by is None:
        return
    leads = each.scope.policy.for_target(step.target).stop_by_s
    for lead_s in leads:
        due = needed.by - lead_s
        keeps = lead_s == max(leads)
        if each.scope.covers(due - lead_s if keeps else due, needed.by):
            yield each.candidate(
                kinds.COMMAND_NEEDED,
                Sort.EVENT,
                each.severity(Severity.CAUTION, Severity.WARNING),
                texts.command_needed(step, needed, each.told_at(due), each.notice),
                due=due,
                moment=needed.by,
                over_at=needed.by,
                lead_s=lead_s,
                keeps=keeps,
                decide_by=needed.by,
            )
