"""What an aligned plan must respect: for each step, the instants at which it may act.

Each rule is a set of instants: whatever the bounds of a step's expiry, all of them must lie in one
interval of it. Rules are kept apart, so that what blocks a plan can be named.
"""

from __future__ import annotations

from collections.abc import Iterator
from collections.abc import Sequence as Row
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import EMPTY, IntervalSet, intersection, union
from contactd.core.sequences.clocks import rate_limits
from contactd.core.sequences.coverage import Conditions, Services, View, view
from contactd.core.sequences.model import KeepClear, Need, Sequence, Step

MOST_STATIONS = 64


class Robust(StrEnum):
    """What a plan must survive without leaving any one step uncovered."""

    NOTHING = "nothing"
    CONTACT = "one missed contact"
    STATION = "one lost station"


class RuleKind(StrEnum):
    """What sort of rule restricts a plan."""

    NEEDS = "needs"
    PEOPLE = "people near"
    STARTS = "allowed start times"
    SETTING = "setting"
    ROBUST = "robustness"
    MARGIN = "margin"


@dataclass(frozen=True, slots=True)
class Rule:
    """One restriction of one step (of the start, where ``step`` is empty)."""

    step: str
    kind: RuleKind
    instants: IntervalSet


@dataclass(frozen=True, slots=True)
class Question:
    """What the coverage is, and what is asked of it.

    Attributes:
        services, span, conditions: as for a forecast.
        robust: what the plan must survive.
        redundancy: how many stations must each be able to serve every step alone; 0 for none.
    """

    services: Services
    span: tuple[float, float]
    conditions: Conditions | None = None
    robust: Robust = Robust.NOTHING
    redundancy: int = 0


def rules(sequence: Sequence, question: Question) -> tuple[Rule, ...]:
    """All rules that restrict the steps of a sequence."""
    return tuple(rule for step in sequence.steps for rule in rules_of(sequence, step, question))


def rules_of(sequence: Sequence, step: Step, question: Question) -> Iterator[Rule]:
    """The rules that restrict one step."""
    if step.needs:
        met = served_instants(step, question)
        yield Rule(step.name, RuleKind.NEEDS, _of_any_act(sequence, step, met))
    if sequence.people_near and (step.hazard is not None or step.keep_clear is not None):
        clear = step.keep_clear or KeepClear()
        free = sequence.people_near.grow(clear.after_s, clear.before_s).complement()
        yield Rule(step.name, RuleKind.PEOPLE, _of_all_acts(sequence, step, free))


def served_instants(step: Step, question: Question) -> IntervalSet:
    """Instants at which all needs of a step are certainly met, and stay so as asked."""
    needs = step.needs
    if question.redundancy > 0:
        needs = tuple(
            replace(need, stations=max(need.stations, question.redundancy), handover=False)
            for need in needs
        )
    whole = _view(needs, question)
    if question.robust is Robust.NOTHING:
        return whole.certain & whole.known
    names = sorted({name for need in needs for name in question.services.get(need.service, {})})
    assert len(names) <= MOST_STATIONS, "the configuration bounds the number of stations"
    lost = [_view(needs, question, frozenset({name})).certain for name in names]
    if question.robust is Robust.STATION:
        return intersection([whole.certain, whole.known, *lost])
    return _without_any_contact(whole, needs, question, names, lost) & whole.known


def _view(needs: Row[Need], question: Question, without: frozenset[str] = frozenset()) -> View:
    return view(needs, question.services, question.span, question.conditions, without)


def _without_any_contact(
    whole: View, needs: Row[Need], question: Question, names: list[str], lost: list[IntervalSet]
) -> IntervalSet:
    """Instants that stay covered whichever single contact is missed."""
    before = max(need.before_s for need in needs)
    after = max(need.after_s for need in needs)
    good = whole.certain
    spoilt: list[IntervalSet] = []
    for name, without in zip(names, lost, strict=True):
        contacts = union(
            stations[name].possible for stations in question.services.values() if name in stations
        )
        if not contacts:
            continue
        # A contact that no other of its station comes near is missed as if the station were lost.
        apart = contacts.starts[1:] - contacts.ends[:-1] > before + after
        alone = np.concatenate([[True], apart]) & np.concatenate([apart, [True]])
        lonely = IntervalSet(contacts.starts[alone], contacts.ends[alone])
        spoilt.append((good & lonely.grow(after, before)) - without)
        for start, end in contacts - lonely:
            near = good.clip(start - after, end + before) - without
            if near:
                fewer = _missing(needs, question, name, start, end, before, after)
                spoilt.append(near - _view(needs, fewer).certain)
    return good - union(spoilt)


def _missing(
    needs: Row[Need],
    question: Question,
    name: str,
    start: float,
    end: float,
    before: float,
    after: float,
) -> Question:
    """The question without one contact, and without all that is far from it."""
    low, high = start - 2 * (before + after) - 1, end + 2 * (before + after) + 1
    near = IntervalSet([low], [high])
    gone = near - IntervalSet([start], [end])
    services = {
        need.service: {
            each: Coverage(certain=coverage.certain & (gone if each == name else near))
            for each, coverage in question.services.get(need.service, {}).items()
        }
        for need in needs
    }
    return replace(question, services=services)


def _acts(sequence: Sequence, step: Step, instants: IntervalSet) -> Iterator[IntervalSet]:
    """For each act of a step, the instants of its first act that put this one into the set."""
    limits = [rate_limits(sequence.clock_of(unit)) for unit in step.unit_names]
    low, high = min(each[0] for each in limits), max(each[1] for each in limits)
    for count in range(step.repeat_most if step.repeat_every_s is not None else 1):
        past = count * (step.repeat_every_s or 0.0)
        yield IntervalSet(instants.starts - past * low, instants.ends - past * high)


def _of_any_act(sequence: Sequence, step: Step, instants: IntervalSet) -> IntervalSet:
    return union(_acts(sequence, step, instants))


def _of_all_acts(sequence: Sequence, step: Step, instants: IntervalSet) -> IntervalSet:
    return intersection(_acts(sequence, step, instants)) if instants else EMPTY
