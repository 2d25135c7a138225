"""Why no plan is feasible, and what the smallest relaxation is that would make one.

From all rules, one after the other is dropped for good if the rest stays infeasible without it.
What remains is an irreducible set: drop any one of it and the rest can be met (the deletion filter
of Chinneck and Dravnieks, *ORSA Journal on Computing* 3, 1991). Each rule of that set is then
loosened by as little as makes the whole plan feasible, found by bisection.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import Sequence, Setting, Step
from contactd.core.sequences.problem import build, offsets
from contactd.core.sequences.search import Found, Rank, Search
from contactd.core.sequences.verdict import duration_text
from contactd.core.sequences.viewing import view
from contactd.core.sequences.wanted import Question, Robust, Rule, RuleKind, rules, rules_of

# Dials that are opened to see whether they are to blame get no more values than this.
MOST_VALUES = 1_000_000


@dataclass(frozen=True, slots=True)
class Blocker:
    """One rule that stands in the way.

    Attributes:
        step: whose rule it is; ``start`` for the allowed start times and for robustness.
        rule: what sort of rule it is.
        reason: in words.
        relaxation: the smallest change of this rule alone that makes a plan feasible, in words.
        relaxation_s: the same in seconds; None where no change of this rule alone is enough, or
            where it is not a matter of seconds.
        station: the station that the relaxed rule would rely on, or "".
    """

    step: str
    rule: RuleKind
    reason: str
    relaxation: str
    relaxation_s: float | None = None
    station: str = ""


@dataclass(frozen=True, slots=True)
class _Key:
    kind: RuleKind
    step: str = ""


def blockers(
    sequence: Sequence,
    question: Question,
    allowed: IntervalSet,
    fixed: Mapping[str, float],
    least_margin_s: float,
) -> tuple[Blocker, ...]:
    """An irreducible set of rules that cannot be met together, the easiest to relax first.

    Args: as for ``align``; the problem they state must be infeasible.
    """
    case = _Case(sequence, question, allowed, dict(fixed), least_margin_s)
    guilty = case.irreducible()
    found = [case.blocker(key, guilty) for key in guilty]
    return tuple(
        sorted(
            found,
            key=lambda each: (
                each.relaxation_s is None,
                math.inf if each.relaxation_s is None else each.relaxation_s,
            ),
        )
    )


class _Case:
    """One infeasible problem, and its variants."""

    def __init__(
        self,
        sequence: Sequence,
        question: Question,
        allowed: IntervalSet,
        fixed: dict[str, float],
        least_margin_s: float,
    ) -> None:
        self.sequence = sequence
        self.question = question
        self.allowed = allowed
        self.fixed = fixed
        self.least_margin_s = least_margin_s
        self.rules = rules(sequence, question)
        self.length_s = question.span[1] - question.span[0]
        dials = [step.name for step in sequence.steps if step.delay.setting is not None]
        # What is easiest to give up is dropped last, so that it is named if it is to blame.
        self.keys = [
            *(_Key(rule.kind, rule.step) for rule in self.rules if rule.kind is RuleKind.PEOPLE),
            *(_Key(rule.kind, rule.step) for rule in self.rules if rule.kind is RuleKind.NEEDS),
            *(_Key(RuleKind.DIAL, name) for name in dials),
            _Key(RuleKind.STARTS),
        ]
        if question.robust is not Robust.NOTHING:
            self.keys.append(_Key(RuleKind.ROBUST))

    def irreducible(self) -> list[_Key]:
        """A smallest set of rules that cannot be met together."""
        for rule in self.rules:
            if not rule.instants and self.question.robust is Robust.NOTHING:
                return [_Key(rule.kind, rule.step)]
        dropped: set[_Key] = set()
        for key in self.keys:
            if self.solve(dropped | {key}) is None:
                dropped.add(key)
        return [key for key in self.keys if key not in dropped]

    def solve(self, dropped: set[_Key], loose: _Key | None = None, by: float = 0.0) -> Found | None:
        """Any plan without the dropped rules, one of the rest loosened by so many seconds."""
        sequence, question, fixed = self.sequence, self.question, dict(self.fixed)
        allowed = self.allowed
        if _Key(RuleKind.ROBUST) in dropped or loose == _Key(RuleKind.ROBUST):
            question = replace(question, robust=Robust.NOTHING)
        if _Key(RuleKind.STARTS) in dropped:
            allowed = IntervalSet([question.span[0] - self.length_s], [question.span[1]])
        elif loose == _Key(RuleKind.STARTS):
            allowed = allowed.grow(by, by)
        for step in self.sequence.steps:
            key = _Key(RuleKind.DIAL, step.name)
            if key in dropped or loose == key:
                sequence = self._opened(sequence, step, None if key in dropped else by)
                fixed.pop(step.name, None)
        given = self.rules if question is self.question else rules(sequence, question)
        kept = []
        for rule in given:
            key = _Key(rule.kind, rule.step)
            if key in dropped:
                continue
            kept.append(self._loosened(rule, by) if key == loose else rule)
        problem = build(sequence, allowed, kept, fixed, sequence.start.give_or_take_s)
        outcome = Search(problem, 1, Rank.MARGIN, self.least_margin_s, any_one=True).run()
        if not outcome.options:
            return None
        best = outcome.options[0]
        settings = tuple({**problem.fixed, **dict(best.settings)}.items())
        return replace(best, settings=settings)

    def _opened(self, sequence: Sequence, step: Step, by: float | None) -> Sequence:
        """The sequence with one dial able to take more values: all, or so many seconds more."""
        setting = step.delay.setting
        assert setting is not None
        tick = setting.resolution_s
        held = self.fixed.get(step.name)
        low, high = (setting.least_s, setting.greatest_s) if held is None else (held, held)
        reach = self.length_s if by is None else by
        ticks = min(math.floor(reach / tick + 1e-9), MOST_VALUES // 2)
        least = low - min(ticks, math.floor(low / tick + 1e-9)) * tick
        wider = replace(setting, least_s=least, greatest_s=high + ticks * tick, chosen_s=None)
        steps = tuple(
            replace(each, delay=replace(each.delay, setting=wider)) if each is step else each
            for each in sequence.steps
        )
        return replace(sequence, steps=steps)

    def _loosened(self, rule: Rule, by: float) -> Rule:
        """The rule with its needs, or the time people are near, shorter by so much at both ends."""
        step = self.sequence.step(rule.step)
        if rule.kind is RuleKind.NEEDS:
            needs = tuple(
                replace(need, before_s=need.before_s - by, after_s=need.after_s - by)
                for need in step.needs
            )
            easier = self.sequence
            asked = replace(step, needs=needs)
        else:
            easier = replace(self.sequence, people_near=self.sequence.people_near.shrink(by, by))
            asked = step
        for each in rules_of(easier, asked, self.question):
            if each.kind is rule.kind:
                return each
        return replace(rule, instants=IntervalSet.everything())

    def blocker(self, key: _Key, guilty: list[_Key]) -> Blocker:
        """One rule of the irreducible set, with its smallest relaxation."""
        reason = self._reason(key, guilty)
        if key.kind is RuleKind.ROBUST:
            if self.solve(set(), key) is None:
                return Blocker("start", key.kind, reason, NOT_ENOUGH)
            return Blocker("start", key.kind, reason, "do without surviving the loss")
        tick = self._tick(key)
        plan = self._least(key, tick)
        if plan is None:
            return Blocker(key.step or "start", key.kind, reason, NOT_ENOUGH)
        by, found = plan
        return Blocker(
            key.step or "start",
            key.kind,
            reason,
            self._relaxation(key, by, found),
            by,
            self._station(key, by, found),
        )

    def _tick(self, key: _Key) -> float:
        setting = self._setting(key)
        return 1.0 if setting is None else setting.resolution_s

    def _setting(self, key: _Key) -> Setting | None:
        return self.sequence.step(key.step).delay.setting if key.kind is RuleKind.DIAL else None

    def _least(self, key: _Key, tick: float) -> tuple[float, Found] | None:
        """The least loosening, in multiples of ``tick``, and a plan that it allows."""
        low, high = 0, max(math.ceil(self.length_s / tick), 1)
        best = self.solve(set(), key, high * tick)
        if best is None:
            return None
        while high - low > 1:
            middle = (low + high) // 2
            found = self.solve(set(), key, middle * tick)
            if found is None:
                low = middle
            else:
                high, best = middle, found
        return high * tick, best

    def _reason(self, key: _Key, guilty: list[_Key]) -> str:
        what = self._what(key)
        others = [self._what(each) for each in guilty if each != key]
        if others:
            return f"{what} cannot be had together with {', and with '.join(others)}"
        if key.kind is not RuleKind.NEEDS:
            return f"{what} cannot be respected"
        return f"{what} cannot be met: {self._shortfall(self.sequence.step(key.step))}"

    def _what(self, key: _Key) -> str:
        words: Mapping[RuleKind, Callable[[], str]] = {
            RuleKind.NEEDS: lambda: f"what {key.step} needs ({_needs_text(self._step(key))})",
            RuleKind.PEOPLE: lambda: f"the keep-clear of {key.step} without people near",
            RuleKind.DIAL: lambda: self._dial_text(key.step),
            RuleKind.STARTS: lambda: "the allowed start times",
            RuleKind.ROBUST: lambda: f"surviving {self.question.robust}",
        }
        return words[key.kind]()

    def _step(self, key: _Key) -> Step:
        return self.sequence.step(key.step)

    def _dial_text(self, name: str) -> str:
        if name in self.fixed:
            return f"{name} dialled to {duration_text(self.fixed[name])}"
        setting = self.sequence.step(name).delay.setting
        assert setting is not None
        ends = f"{duration_text(setting.least_s)} to {duration_text(setting.greatest_s)}"
        return f"the dial of {name} ({ends} in steps of {duration_text(setting.resolution_s)})"

    def _shortfall(self, step: Step) -> str:
        """Why a step's needs are met at no time at all."""
        bare = tuple(replace(need, before_s=0.0, after_s=0.0) for need in step.needs)
        offered = view(bare, self.question.services, self.question.span, self.question.conditions)
        if not offered.certain:
            services = " and ".join(sorted({need.service for need in step.needs}))
            return f"no station surely offers {services} as asked in the predicted span"
        longest = float(offered.certain.durations_s.max())
        wanted = max(need.before_s + need.after_s for need in step.needs)
        return (
            f"{duration_text(wanted)} are needed, and the longest surely covered time lasts "
            f"{duration_text(longest)}"
        )

    def _relaxation(self, key: _Key, by: float, found: Found) -> str:
        setting = self._setting(key)
        if setting is not None:
            value = dict(found.settings)[key.step]
            verb = "set it to" if key.step in self.fixed else "let the dial take"
            return f"{verb} {duration_text(value)}"
        if key.kind is RuleKind.NEEDS:
            return f"shorten what it needs by {duration_text(by)} before and after"
        if key.kind is RuleKind.PEOPLE:
            return f"shorten the time people are near by {duration_text(by)} at both ends"
        return f"allow starts {duration_text(by)} earlier or later"

    def _station(self, key: _Key, by: float, found: Found) -> str:
        """The station that would serve the step whose needs are relaxed."""
        if key.kind is not RuleKind.NEEDS:
            return ""
        step = self._step(key)
        bounds = offsets(self.sequence, dict(found.settings), self.sequence.start.give_or_take_s)[
            key.step
        ]
        middle = (found.first + found.last) / 2
        offered = view(
            step.needs, self.question.services, self.question.span, self.question.conditions
        )
        around = IntervalSet([middle + bounds[0] - by], [middle + bounds[1] + by + 1e-3])
        covered = {name: (each & around).total_s for name, each in offered.stations.items()}
        return max(covered, key=lambda name: covered[name], default="")


NOT_ENOUGH = "no change of this rule alone is enough"


def _needs_text(step: Step) -> str:
    return " and ".join(
        f"{need.service} from {duration_text(need.before_s)} before to "
        f"{duration_text(need.after_s)} after"
        for need in step.needs
    )
