"""Why no plan is feasible, and what the smallest relaxation is that would make one.

From all rules, one after the other is dropped for good if the rest stays infeasible without it.
What remains is an irreducible set: drop any one of it and the rest can be met (the deletion filter
of Chinneck and Dravnieks, *ORSA Journal on Computing* 3, 1991). Each rule of that set is then
loosened alone by as little as makes the whole plan feasible, found by bisection. Where no rule
alone is enough, several conflicts stand side by side: then rules are named that must give way
together, none of which can be spared, and by how much.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.causes import lacking_conditions
from contactd.core.sequences.coverage import Conditions, view
from contactd.core.sequences.model import Need, Sequence, Step
from contactd.core.sequences.problem import offsets
from contactd.core.sequences.relaxation import NOTHING, Case, Key, Plan
from contactd.core.sequences.results import Blocker
from contactd.core.sequences.rules import Question, RuleKind
from contactd.core.sequences.verdict import duration_text


def blockers(
    sequence: Sequence,
    question: Question,
    allowed: IntervalSet,
    fixed: Mapping[str, float],
    least_margin_s: float,
) -> tuple[Blocker, ...]:
    """Rules that cannot be met together, the easiest to relax first.

    Args: as for ``align``; the problem they state must be infeasible.
    """
    case = Case(sequence, question, allowed, dict(fixed), least_margin_s)
    guilty = case.irreducible()
    telling = _Telling(case, guilty)
    alone = [(key, case.least(key)) for key in guilty]
    if any(plan is not None for _, plan in alone):
        found = [telling.blocker(key, plan) for key, plan in alone]
    else:
        found = _together(case, telling)
        named = {(each.step, each.rule) for each in found}
        rest = [key for key in guilty if key.kind is RuleKind.NEEDS]
        found += [telling.blocker(key, None) for key in rest if (key.step, key.kind) not in named]
    return tuple(sorted(found, key=_by_size))


def _together(case: Case, telling: _Telling) -> list[Blocker]:
    """Rules that must give way together, each by how much once the others have."""
    tried: list[list[tuple[Key, Plan | None]]] = []
    for last in (RuleKind.STARTS, RuleKind.SETTING):
        giving = case.giving_way(last)
        loose: dict[Key, float] = {}
        plans: list[tuple[Key, Plan | None]] = []
        for index, key in enumerate(giving):
            plan = case.least(key, frozenset(giving[index + 1 :]), loose)
            if plan is not None:
                loose[key] = plan.by
            plans.append((key, plan))
        tried.append(plans)
    best = min(tried, key=_total)
    return [telling.blocker(key, plan, len(best) > 1) for key, plan in best]


def _total(plans: list[tuple[Key, Plan | None]]) -> float:
    """Seconds by which all rules give way together."""
    return sum(math.inf if plan is None else plan.by for _, plan in plans)


def _by_size(blocker: Blocker) -> tuple[bool, float]:
    size = blocker.relaxation_s
    return size is None, math.inf if size is None else size


class _Telling:
    """Puts rules and their relaxations into words."""

    def __init__(self, case: Case, guilty: list[Key]) -> None:
        self.case = case
        self.guilty = guilty

    def blocker(self, key: Key, plan: Plan | None, together: bool = False) -> Blocker:
        step = key.step or "start"
        if plan is None:
            return Blocker(
                step, key.kind, self._reason(key), "no change of this rule alone is enough"
            )
        text = self._relaxation(key, plan)
        if together:
            text += ", together with the other changes named here"
        seconds = None if key.kind in (RuleKind.ROBUST, RuleKind.MARGIN) else plan.by
        return Blocker(step, key.kind, self._reason(key), text, seconds, self._station(key, plan))

    def _reason(self, key: Key) -> str:
        others = [self._name(each) for each in self.guilty if each != key]
        what = self._what(key)
        if key not in self.guilty:
            return f"{what} would have to give way too"
        if others:
            return f"{what} cannot be had together with {_listed(others)}"
        if key.kind is not RuleKind.NEEDS:
            return f"{what} cannot be respected"
        return f"{what} cannot be met: {self._shortfall(self.case.sequence.step(key.step))}"

    def _what(self, key: Key) -> str:
        """A rule with its particulars."""
        match key.kind:
            case RuleKind.NEEDS:
                return f"what {key.step} needs ({_needs_text(self.case.sequence.step(key.step))})"
            case RuleKind.SETTING:
                return self._dial_text(key.step)
            case RuleKind.MARGIN:
                return f"a margin of {duration_text(self.case.least_margin_s)}"
            case _:
                return self._name(key)

    def _name(self, key: Key) -> str:
        """A rule in few words."""
        match key.kind:
            case RuleKind.NEEDS:
                return f"the needs of {key.step}"
            case RuleKind.PEOPLE:
                return f"people kept out of the keep-clear of {key.step}"
            case RuleKind.SETTING:
                return f"the setting of {key.step}"
            case RuleKind.STARTS:
                return "the allowed start times"
            case RuleKind.MARGIN:
                return "the margin that is asked for"
            case RuleKind.ROBUST:
                return f"surviving {self.case.question.robust}"

    def _dial_text(self, name: str) -> str:
        if name in self.case.fixed:
            return f"{name} set to {duration_text(self.case.fixed[name], 4)}"
        setting = self.case.sequence.step(name).delay.setting
        assert setting is not None
        ends = f"{duration_text(setting.least_s, 4)} to {duration_text(setting.greatest_s, 4)}"
        return (
            f"the setting of {name} ({ends} in steps of {duration_text(setting.resolution_s, 4)})"
        )

    def _shortfall(self, step: Step) -> str:
        """Why a step's needs are met at no time, or never for long enough."""
        question = self.case.question
        bare = view(_without_reach(step), question.services, question.span, question.conditions)
        if not bare.certain:
            services = " and ".join(sorted({need.service for need in step.needs}))
            whole = IntervalSet([question.span[0]], [question.span[1]])
            lacking = [
                condition.words
                for need in _without_reach(step)
                for condition in lacking_conditions(
                    need, question.services, question.conditions or Conditions(), whole
                )
            ]
            if lacking:
                return f"{services} is never certainly had {_listed(lacking)}"
            return f"no station certainly has {services} in the predicted span"
        longest = float(bare.certain.durations_s.max())
        wanted = max(need.before_s + need.after_s for need in step.needs)
        width = self.case.least_width_s(step.name)
        parts = [f"{duration_text(wanted)} are needed"]
        if width >= 1:
            parts.append(f"the expiry is known to {duration_text(width)} at best")
        if self.case.least_margin_s > 0:
            parts.append(f"twice the margin is {duration_text(2 * self.case.least_margin_s)}")
        covered = f"the longest certainly covered time lasts {duration_text(longest)}"
        return f"{_listed(parts)}, but {covered}"

    def _relaxation(self, key: Key, plan: Plan) -> str:
        by = duration_text(plan.by, 4)
        match key.kind:
            case RuleKind.SETTING:
                value = duration_text(dict(plan.found.settings)[key.step], 4)
                fixed = key.step in self.case.fixed
                return f"set it to {value}" if fixed else f"let the setting take {value}"
            case RuleKind.NEEDS:
                return f"shorten what it needs by {by} before and after"
            case RuleKind.PEOPLE:
                return f"shorten the time people are near by {by} at both ends"
            case RuleKind.STARTS:
                return f"allow starts {by} earlier or later"
            case RuleKind.MARGIN:
                return f"accept a margin of {duration_text(plan.found.margin_s)}"
            case RuleKind.ROBUST:
                margin = duration_text(plan.found.margin_s)
                return f"do without surviving it: the margin can then be {margin}"

    def _station(self, key: Key, plan: Plan) -> str:
        """The station that would serve the step whose needs are relaxed."""
        if key.kind is not RuleKind.NEEDS:
            return ""
        case, step = self.case, self.case.sequence.step(key.step)
        bounds = offsets(
            case.sequence, dict(plan.found.settings), case.sequence.start.give_or_take_s
        )
        low, high = bounds[key.step]
        middle = (plan.found.first + plan.found.last) / 2
        offered = view(
            step.needs, case.question.services, case.question.span, case.question.conditions
        )
        around = IntervalSet([middle + low - plan.by], [middle + high + plan.by + 1e-3])
        covered = {name: (each & around).total_s for name, each in offered.stations.items()}
        best = max(covered, key=lambda name: covered[name], default="")
        return best if covered.get(best, 0.0) > 0 else NOTHING


def _without_reach(step: Step) -> tuple[Need, ...]:
    return tuple(replace(need, before_s=0.0, after_s=0.0) for need in step.needs)


def _needs_text(step: Step) -> str:
    return " and ".join(
        " ".join(
            [
                f"{need.service} from {duration_text(need.before_s)} before to "
                f"{duration_text(need.after_s)} after",
                *(condition.words for condition in need.conditions),
            ]
        )
        for need in step.needs
    )


def _listed(parts: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
