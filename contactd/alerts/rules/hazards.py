"""Whether and until when a step can be stopped; keep-clear, and people in it."""

from __future__ import annotations

from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.step import AHEAD, StepAtHand
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.mission.texts import keep_clear, stops
from contactd.mission.texts.stops import Chance
from contactd.mission.texts.text import Stop
from contactd.mission.timetext import NO_EARLIER, NO_LATER, machine


def stop_candidates(each: StepAtHand) -> Iterator[Candidate]:
    """That the last certain stop comes, that none is certain any more, that none is possible."""
    step = each.step
    assert step.earliest is not None
    assert step.latest is not None
    if step.stop_by is None and step.stop_possible is False and step.status in AHEAD:
        yield each.candidate(
            kinds.NO_STOP,
            Sort.CONDITION,
            each.severity(Severity.CAUTION, Severity.WARNING),
            stops.no_stop(
                step.target, step.step, step.earliest, each.clear_s, each.scope.now, each.notice
            ),
            due=each.scope.now,
            moment=step.earliest,
            over_at=step.latest,
            span=each.clear_s,
        )
    if step.stop_by is None:
        return
    stop = Stop(step.stop_by, step.stop_station or "", step.stops or step.step)
    leads = each.scope.policy.for_target(step.target).stop_by_s
    started = each.forecast.start.earliest
    for lead_s in leads:
        due = step.stop_by - lead_s
        if started is not None:
            due = max(due, started)  # it cannot be running earlier
        keeps = lead_s == max(leads)
        if each.scope.covers(due - lead_s if keeps else due, step.stop_by):
            yield each.candidate(
                kinds.STOP_BY_COMING,
                Sort.EVENT,
                each.severity(Severity.CAUTION, Severity.WARNING),
                stops.stop_by(step.target, step.step, stop, each.told_at(due), each.notice),
                due=due,
                moment=step.stop_by,
                over_at=step.stop_by,
                lead_s=lead_s,
                keeps=keeps,
                decide_by=step.stop_by,
            )
    if each.scope.covers(step.stop_by, step.latest):
        told_at = each.told_at(step.stop_by)
        chances = [
            Chance(chance.station, chance.opens, chance.closes, chance.share)
            for chance in step.stop_chances
            if chance.closes > told_at
        ]
        yield each.candidate(
            kinds.STOP_BY_PASSED,
            Sort.EVENT,
            each.severity(Severity.CAUTION, Severity.WARNING),
            stops.stop_by_passed(
                step.target, step.step, step.stop_by, each.clear_s, chances, told_at, each.notice
            ),
            due=step.stop_by,
            moment=step.stop_by,
            over_at=step.latest,
            span=each.clear_s,
            decide_by=max((chance.by_s for chance in chances), default=None),
            turns=tuple(at for chance in chances for at in (chance.start_s, chance.by_s)),
        )


def keep_clear_candidates(each: StepAtHand) -> Iterator[Candidate]:
    """The keep-clear of a step: that it begins, that it ends, that people are to be in it."""
    step = each.step
    if step.keep_clear is None:
        return
    begins, ends = step.keep_clear
    leads = (*each.scope.policy.for_target(step.target).keep_clear_s, 0.0)
    for lead_s in leads:
        due = begins - lead_s
        keeps = lead_s == max(leads)
        if each.scope.covers(due - lead_s if keeps else due, ends):
            yield each.candidate(
                kinds.KEEP_CLEAR_BEGINS,
                Sort.EVENT,
                Severity.CAUTION,
                keep_clear.keep_clear_begins(
                    step.target,
                    step.step,
                    begins,
                    ends,
                    each.told_at(due),
                    each.notice,
                    step.zone,
                ),
                due=due,
                moment=begins,
                over_at=ends,
                span=(begins, ends),
                lead_s=lead_s,
                keeps=keeps,
                turns=(begins,),
            )
    kept_s = each.scope.policy.worth_telling_after_s
    if each.scope.covers(ends, ends + kept_s):
        yield each.candidate(
            kinds.KEEP_CLEAR_ENDS,
            Sort.EVENT,
            Severity.ADVISORY,
            keep_clear.keep_clear_ends(step.target, step.step, ends, each.notice),
            due=ends,
            moment=ends,
            over_at=ends + kept_s,
        )
    for first, last in step.people_in_danger:
        yield each.candidate(
            kinds.PEOPLE_IN_DANGER,
            Sort.CONDITION,
            Severity.WARNING,
            keep_clear.people_in_keep_clear(
                step.target, first, last, each.stop, each.scope.now, each.notice
            ),
            due=each.scope.now,
            moment=first,
            over_at=last,
            span=(first, last),
            alone=False,
            decide_by=None if each.stop is None else each.stop.by_s,
            turns=(first, step.stop_by),
            facts={
                "people_in_keep_clear": {
                    "from": machine(first, NO_LATER),
                    "to": machine(last, NO_EARLIER),
                }
            },
        )
