"""Whether and until when a step can be stopped; keep-clear, and people in it."""

from __future__ import annotations

from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.step import AHEAD, StepAtHand
from contactd.alerts.words import clock, duration, exact, moment, span
from contactd.core import alert as kinds
from contactd.core.alert import Severity


def stop_candidates(each: StepAtHand) -> Iterator[Candidate]:
    """The last moment to stop a step: that it comes, that it has passed, that there is none."""
    step = each.step
    assert step.earliest is not None
    assert step.latest is not None
    if step.stop_by is None:
        if step.stop_possible is False and step.status in AHEAD:
            yield each.candidate(
                kinds.NO_STOP,
                Sort.CONDITION,
                each.severity(Severity.CAUTION, Severity.WARNING),
                f"{each.name} cannot be stopped: no command window is left before "
                f"{moment(step.earliest)}.",
                "Act as if it will happen.",
                due=each.scope.now,
                moment=step.earliest,
                over_at=step.latest,
                meets=(step.earliest, step.latest),
            )
        return
    for lead_s in each.scope.policy.for_target(step.target).stop_by_s:
        due = step.stop_by - lead_s
        if due < (each.forecast.start.earliest or due):
            continue  # it cannot be running yet
        if each.scope.covers(due, step.stop_by):
            yield each.candidate(
                kinds.STOP_BY_COMING,
                Sort.EVENT,
                each.severity(Severity.CAUTION, Severity.WARNING),
                f"{each.name} can only be stopped until {moment(step.stop_by)}{each.through}.",
                "Decide now whether to stop it, and send the stop before then.",
                due=due,
                moment=step.stop_by,
                over_at=step.stop_by,
                lead_s=lead_s,
            )
    if each.scope.covers(step.stop_by, step.latest):
        yield each.candidate(
            kinds.STOP_BY_PASSED,
            Sort.EVENT,
            each.severity(Severity.ADVISORY, Severity.CAUTION),
            f"{each.name} cannot be stopped any more: the last moment was "
            f"{moment(step.stop_by)}{each.through}.",
            f"Expect it: {span(step.earliest, step.latest)}.",
            due=step.stop_by,
            moment=step.stop_by,
            over_at=step.latest,
        )


def keep_clear_candidates(each: StepAtHand) -> Iterator[Candidate]:
    """The keep-clear of a step: that it begins, that it ends, that people are to be in it."""
    step = each.step
    if step.keep_clear is None:
        return
    begins, ends = step.keep_clear
    for lead_s in (*each.scope.policy.for_target(step.target).keep_clear_s, 0.0):
        if each.scope.covers(begins - lead_s, ends):
            yield each.candidate(
                kinds.KEEP_CLEAR_BEGINS,
                Sort.EVENT,
                Severity.CAUTION,
                f"Keep clear of {step.target} for {step.step}: {span(begins, ends)}.",
                f"Nobody may be near from {clock(begins)} on.",
                due=begins - lead_s,
                moment=begins,
                over_at=ends,
                lead_s=lead_s,
            )
    kept_s = each.scope.policy.worth_telling_after_s
    if each.scope.covers(ends, ends + kept_s):
        yield each.candidate(
            kinds.KEEP_CLEAR_ENDS,
            Sort.EVENT,
            Severity.ADVISORY,
            f"The keep-clear of {step.target} for {step.step}, as computed, ended at "
            f"{moment(ends)}.",
            "Approach only when the step's state is confirmed and those responsible allow it.",
            due=ends,
            moment=ends,
            over_at=ends + kept_s,
        )
    for first, last in step.people_in_danger:
        yield each.candidate(
            kinds.PEOPLE_IN_DANGER,
            Sort.CONDITION,
            Severity.WARNING,
            f"People are to be near {step.target} during the keep-clear for {step.step}: "
            f"{span(first, last)}.",
            _danger_advice(each, first, last),
            due=each.scope.now,
            moment=first,
            over_at=last,
            meets=(first, last),
            must_lie_within=True,
            facts={"people_in_danger": {"from": exact(first), "to": exact(last)}},
        )


def _danger_advice(each: StepAtHand, first: float, last: float) -> str:
    step = each.step
    text = f"Have nobody near from {clock(first)} to {clock(last)} ({duration(last - first)})."
    if each.can_be_stopped and step.stop_by is not None:
        text += f" The step can be stopped until {moment(step.stop_by)}{each.through}."
    return text
