"""What is wrong with what is known of a target: its elements, its prediction, what moved."""

from __future__ import annotations

import math
from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.scope import Scope
from contactd.alerts.rules.service import service_condition
from contactd.alerts.words import clock, duration, exact, moment, span
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.change import Basis, ElementsChange
from contactd.core.outlook import ElementsInUse, Snapshot, TargetOutlook

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
            facts["aos_before"] = exact(change.furthest.aos_before)
            facts["aos_after"] = exact(change.furthest.aos_after)
            facts["moved_s"] = round(change.furthest.seconds, 1)
        yield Candidate(
            kind=kinds.CONTACTS_MOVED,
            sort=Sort.EVENT,
            severity=Severity.CAUTION,
            target=target,
            subject=target,
            series=f"{kinds.CONTACTS_MOVED}|{target}",
            what=f"Other elements of {target} {_moved(change, limit_s)}.",
            do=(
                f"Compare {_named(change.after)} with {_named(change.before)}, used before; until "
                "it is clear which is right, be ready for the earlier AOS and the later LOS."
            ),
            due=change.at,
            moment=change.at,
            over_at=over_at,
            begins=change.at,
            ends=change.at,
            facts=facts,
        )


def _moved(change: ElementsChange, limit_s: float) -> str:
    """What a change did, in words."""
    parts = []
    furthest, lone = change.furthest, change.longest_lone
    if furthest is not None and abs(furthest.seconds) > limit_s:
        way = "later" if furthest.seconds > 0 else "earlier"
        parts.append(
            f"move AOS by up to {duration(furthest.seconds)}: at {furthest.station} from "
            f"{moment(furthest.aos_before)} to {clock(furthest.aos_after)}, {way}"
        )
    if lone is not None and lone.duration_s > limit_s:
        did = "add" if lone.appeared else "take away"
        parts.append(
            f"{did} a contact of {duration(lone.duration_s)}: at {lone.station}, {moment(lone.aos)}"
        )
    return ", and ".join(parts)


def _named(basis: Basis) -> str:
    return f"{basis.source} (epoch {moment(basis.epoch)})"


def _basis_facts(basis: Basis) -> dict[str, object]:
    return {"source": basis.source, "epoch": exact(basis.epoch)}


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
            what=(
                f"Nothing is known of where {target} is, {span(max(start, scope.now), end)}: no "
                "contact is predicted in that time."
            ),
            do="Get an ephemeris or elements that cover it; steps in it cannot be judged.",
            due=scope.now,
            moment=start,
            over_at=end,
            begins=start,
            ends=end,
            rests_on=target,
            facts={"from": exact(start), "to": exact(end)},
        )


def target_candidates(
    scope: Scope, outlook: TargetOutlook, planned_at: float | None
) -> Iterator[Candidate]:
    """Elements that grow stale, a target that cannot be predicted, a prediction that ends."""
    target = outlook.target
    elements = outlook.elements
    if elements is not None:
        yield from _stale(scope, target, elements)
    if outlook.problem is not None:
        yield service_condition(
            kinds.NO_PREDICTION,
            Severity.CAUTION,
            scope.now,
            f"{target} cannot be predicted in full: {outlook.problem}",
            "Check its elements; until then what is known of its contacts may be incomplete.",
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
        f"The prediction of {target} ends at {moment(ends)}.",
        "Nothing is known of contacts after that: get elements or an ephemeris that go on.",
        target=target,
        rests_on=target,
        facts={"ends": exact(ends)},
    )


def _stale(scope: Scope, target: str, elements: ElementsInUse) -> Iterator[Candidate]:
    """Elements too far from their epoch, after it or before it."""
    stale_s = elements.stale_after_s
    ahead = elements.epoch - stale_s > scope.now
    since = scope.now if ahead else elements.epoch + stale_s
    distance_s = max(abs(scope.now - elements.epoch), stale_s)
    yield service_condition(
        kinds.ELEMENTS_STALE,
        Severity.CAUTION,
        since,
        f"The elements of {target} are {'not of this time' if ahead else 'stale'}: their epoch, "
        f"{moment(elements.epoch)}, is {duration(distance_s)} {'ahead' if ahead else 'ago'}.",
        "Get elements of today; predicted times drift further with every day from their epoch.",
        target=target,
        rests_on=target,
        over_at=elements.epoch - stale_s if ahead else math.inf,
        facts={
            "epoch": exact(elements.epoch),
            "age_s": round(scope.now - elements.epoch),
            "source": elements.source,
            "stale_after": duration(stale_s),
            "timing_error_s": round(elements.timing_error_s, 1),
        },
    )
