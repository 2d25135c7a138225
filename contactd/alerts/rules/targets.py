"""What is wrong with what is known of a target: its elements, its prediction, what moved."""

from __future__ import annotations

import math
from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.scope import Scope
from contactd.alerts.rules.service import service_condition
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.change import Basis, ElementsChange
from contactd.core.contacts.table import under_way_and_next
from contactd.core.outlook import ElementsInUse, Snapshot, TargetOutlook
from contactd.mission.texts import targets as texts
from contactd.mission.texts.text import Text
from contactd.mission.timetext import NEAREST, machine

CHANGE_WORTH_TELLING_S = 86_400.0
"""How long after other elements were taken it is still worth telling what they moved."""


def change_candidates(scope: Scope, snapshot: Snapshot) -> Iterator[Candidate]:
    """Other elements than before that move contacts further than a limit."""
    for change in snapshot.elements_changes.values():
        limit_s = scope.policy.for_target(change.target).aos_moved_s
        over_at = change.at + CHANGE_WORTH_TELLING_S
        if over_at <= scope.now or not change.exceeds(limit_s):
            continue
        target = change.target
        facts: dict[str, object] = {
            "before": _basis_facts(change.before),
            "after": _basis_facts(change.after),
            "limit_s": limit_s,
            "compared": change.compared,
            "vanished": change.vanished,
            "appeared": change.appeared,
        }
        if change.furthest is not None:
            facts["station"] = change.furthest.station
            facts["aos_before"] = machine(change.furthest.aos_before, NEAREST)
            facts["aos_after"] = machine(change.furthest.aos_after, NEAREST)
            facts["moved_s"] = round(change.furthest.seconds, 1)
        yield Candidate(
            kind=kinds.CONTACTS_MOVED,
            sort=Sort.EVENT,
            severity=Severity.CAUTION,
            target=target,
            subject=target,
            series=f"{kinds.CONTACTS_MOVED}|{target}",
            text=_moved(change, limit_s, scope.now),
            due=change.at,
            moment=change.at,
            over_at=over_at,
            begins=change.at,
            ends=change.at,
            facts=facts,
        )


def _moved(change: ElementsChange, limit_s: float, now: float) -> Text:
    """What a change did, as far as it is worth telling."""
    furthest, lone = change.furthest, change.longest_lone
    moved = None
    if furthest is not None and abs(furthest.seconds) > limit_s:
        moved = furthest.station, furthest.aos_before, furthest.aos_after
    single = None
    if lone is not None and lone.duration_s > limit_s:
        single = lone.station, lone.aos, lone.duration_s, lone.appeared
    return texts.contacts_moved(change.target, moved, single, now)


def _basis_facts(basis: Basis) -> dict[str, object]:
    return {"source": basis.source, "epoch": machine(basis.epoch, NEAREST)}


def _gaps(scope: Scope, outlook: TargetOutlook) -> Iterator[Candidate]:
    """Times ahead in which nothing is known of the target's motion."""
    target = outlook.target
    for start, end in outlook.gaps:
        if end <= scope.now:
            continue
        yield Candidate(
            kind=kinds.PREDICTION_GAP,
            sort=Sort.CONDITION,
            severity=Severity.CAUTION,
            target=target,
            subject=target,
            series=f"{kinds.PREDICTION_GAP}|{target}",
            text=texts.prediction_gap(target, start, end, scope.now),
            due=scope.now,
            moment=start,
            over_at=end,
            begins=start,
            ends=end,
            rests_on=target,
            facts={"from": machine(start, NEAREST), "to": machine(end, NEAREST)},
        )


def target_candidates(
    scope: Scope, outlook: TargetOutlook, planned_at: float | None
) -> Iterator[Candidate]:
    """Elements that grow stale, a target that cannot be predicted, a prediction that ends."""
    target = outlook.target
    elements = outlook.elements
    if elements is not None:
        _, next_aos = under_way_and_next(outlook.contacts, scope.now)
        yield from _stale(scope, target, elements, next_aos)
    if outlook.problem is not None:
        yield service_condition(
            kinds.NO_PREDICTION,
            Severity.CAUTION,
            scope.now,
            texts.target_not_predicted(target, outlook.problem),
            target=target,
            rests_on=target,
            facts={"problem": outlook.problem},
        )
        return
    yield from _gaps(scope, outlook)
    ends = outlook.span[1]
    planned_ahead_s = ends - (scope.now if planned_at is None else planned_at)
    yield service_condition(
        kinds.SPAN_ENDS,
        Severity.CAUTION,
        ends - min(scope.policy.span_least_s, max(planned_ahead_s, 0.0) / 2),
        texts.prediction_ends(target, ends, scope.now),
        target=target,
        rests_on=target,
        facts={"ends": machine(ends, NEAREST)},
    )


def _stale(
    scope: Scope, target: str, elements: ElementsInUse, next_aos: float | None
) -> Iterator[Candidate]:
    """Elements too far from their epoch, after it or before it."""
    stale_s = elements.stale_after_s
    ahead = elements.epoch - stale_s > scope.now
    since = scope.now if ahead else elements.epoch + stale_s
    distance_s = max(abs(scope.now - elements.epoch), stale_s)
    yield service_condition(
        kinds.ELEMENTS_STALE,
        Severity.CAUTION,
        since,
        texts.elements_stale(
            target, -distance_s if ahead else distance_s, stale_s, next_aos, scope.now
        ),
        target=target,
        rests_on=target,
        over_at=elements.epoch - stale_s if ahead else math.inf,
        facts={
            "epoch": machine(elements.epoch, NEAREST),
            "age_s": round(scope.now - elements.epoch),
            "source": elements.source,
            "stale_after_s": stale_s,
            "timing_error_s": round(elements.timing_error_s, 1),
        },
    )
