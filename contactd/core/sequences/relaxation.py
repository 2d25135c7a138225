"""Variants of an infeasible alignment: without some rules, or with some of them loosened."""

from __future__ import annotations

import math
from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from typing import Final

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import Sequence, Step
from contactd.core.sequences.problem import build
from contactd.core.sequences.rules import Question, Robust, Rule, RuleKind, rules, rules_of
from contactd.core.sequences.search import Found, Rank, Search

NOTHING: Final = ""
# Settings that are opened to see whether they are to blame get no more values than this.
MOST_VALUES = 100_000


@dataclass(frozen=True, slots=True)
class Key:
    """Names one rule."""

    kind: RuleKind
    step: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan that becomes feasible when one rule is loosened by so many seconds."""

    by: float
    found: Found


class Case:
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
        # What can be given up least easily comes first: it is the last to be named.
        self.keys = [
            *(Key(rule.kind, rule.step) for rule in self.rules if rule.kind is RuleKind.PEOPLE),
            *(Key(rule.kind, rule.step) for rule in self.rules if rule.kind is RuleKind.NEEDS),
            *(Key(RuleKind.SETTING, name) for name in dials),
            Key(RuleKind.STARTS),
        ]
        if question.robust is not Robust.NOTHING:
            self.keys.append(Key(RuleKind.ROBUST))
        if least_margin_s > 0:
            self.keys.append(Key(RuleKind.MARGIN))

    def irreducible(self) -> list[Key]:
        """Rules that cannot be met together, though they can without any one of them."""
        if self.question.robust is Robust.NOTHING:
            empty = [Key(rule.kind, rule.step) for rule in self.rules if not rule.instants]
            if empty:
                return empty
        dropped: set[Key] = set()
        for key in self.keys:
            if self.solve(dropped | {key}) is None:
                dropped.add(key)
        return [key for key in self.keys if key not in dropped]

    def giving_way(self, last: RuleKind) -> list[Key]:
        """Rules without which all the others can be met; none of them can be taken back.

        Rules of the kind ``last`` are the last to be taken back, so the first to give way.
        """
        dropped = set(self.keys)
        order = sorted(self.keys, key=lambda key: key.kind is last)
        for key in order:
            if self.solve(dropped - {key}) is not None:
                dropped.remove(key)
        return [key for key in order if key in dropped]

    def least(
        self,
        key: Key,
        dropped: AbstractSet[Key] = frozenset(),
        loose: Mapping[Key, float] | None = None,
    ) -> Plan | None:
        """The least loosening of a rule that leaves a feasible plan; None if none does."""
        given = dict(loose or {})
        if key.kind in (RuleKind.ROBUST, RuleKind.MARGIN):
            found = self.solve(dropped | {key}, given, any_one=False)
            return None if found is None else Plan(0.0, found)
        setting = self.sequence.step(key.step).delay.setting if key.step else None
        tick = 1.0 if key.kind is not RuleKind.SETTING or setting is None else setting.resolution_s
        low, high = 0, max(math.ceil(self.length_s / tick), 1)
        best = self.solve(dropped, given | {key: high * tick})
        if best is None:
            return None
        while high - low > 1:
            middle = (low + high) // 2
            found = self.solve(dropped, given | {key: middle * tick})
            if found is None:
                low = middle
            else:
                high, best = middle, found
        return Plan(high * tick, best)

    def solve(
        self,
        dropped: AbstractSet[Key],
        loose: Mapping[Key, float] | None = None,
        any_one: bool = True,
    ) -> Found | None:
        """Any plan (or the best) without the dropped rules, others loosened by so many seconds."""
        by = loose or {}
        sequence, fixed, question = self.sequence, dict(self.fixed), self.question
        if Key(RuleKind.ROBUST) in dropped:
            question = replace(question, robust=Robust.NOTHING)
        for step in self.sequence.steps:
            key = Key(RuleKind.SETTING, step.name)
            if key in dropped or key in by:
                sequence = self._opened(sequence, step, by.get(key))
                fixed.pop(step.name, None)
        given = self.rules if question is self.question else rules(self.sequence, question)
        kept = [
            self._loosened(rule, question, by)
            for rule in given
            if Key(rule.kind, rule.step) not in dropped
        ]
        allowed = self._starts(dropped, by)
        margin = 0.0 if Key(RuleKind.MARGIN) in dropped else self.least_margin_s
        problem = build(sequence, allowed, kept, fixed, sequence.start.give_or_take_s)
        outcome = Search(problem, 1, Rank.MARGIN, margin, any_one=any_one).run()
        if not outcome.options:
            return None
        best = outcome.options[0]
        return replace(best, settings=tuple({**problem.fixed, **dict(best.settings)}.items()))

    def least_width_s(self, step: str) -> float:
        """Width of a step's bounds at the least, whatever is chosen."""
        problem = build(
            self.sequence, self.allowed, (), self.fixed, self.sequence.start.give_or_take_s
        )
        place = problem.places.get(step)
        if place is None:
            return 0.0
        return problem.nodes[place.node].floor + place.high - place.low

    def _starts(self, dropped: AbstractSet[Key], by: Mapping[Key, float]) -> IntervalSet:
        key = Key(RuleKind.STARTS)
        if key in dropped:
            return IntervalSet([self.question.span[0] - self.length_s], [self.question.span[1]])
        return self.allowed.grow(by.get(key, 0.0), by.get(key, 0.0))

    def _opened(self, sequence: Sequence, step: Step, by: float | None) -> Sequence:
        """The sequence with one setting able to take more values: all, or up to so far off."""
        setting = step.delay.setting
        assert setting is not None
        tick = setting.resolution_s
        held = self.fixed.get(step.name)
        low, high = (setting.least_s, setting.greatest_s) if held is None else (held, held)
        reach = self.length_s if by is None else by
        ticks = min(math.floor(reach / tick + 1e-9), MOST_VALUES // 2)
        least = low - min(ticks, math.floor(low / tick + 1e-9)) * tick
        most = high + ticks * tick
        if held is not None:
            # A chosen setting can be chosen otherwise, but only to what it can take.
            least, most = max(least, setting.least_s), min(most, setting.greatest_s)
        wider = replace(setting, least_s=least, greatest_s=most, chosen_s=None)
        steps = tuple(
            replace(each, delay=replace(each.delay, setting=wider))
            if each.name == step.name
            else each
            for each in sequence.steps
        )
        return replace(sequence, steps=steps)

    def _loosened(self, rule: Rule, question: Question, loose: Mapping[Key, float]) -> Rule:
        """The rule with its needs, or the time people are near, shorter by so much at both ends."""
        by = loose.get(Key(rule.kind, rule.step), 0.0)
        if by == 0:
            return rule
        step, sequence = self.sequence.step(rule.step), self.sequence
        if rule.kind is RuleKind.NEEDS:
            needs = tuple(
                replace(need, before_s=need.before_s - by, after_s=need.after_s - by)
                for need in step.needs
            )
            step = replace(step, needs=needs)
        else:
            sequence = replace(sequence, people_near=sequence.people_near.shrink(by, by))
        for each in rules_of(sequence, step, question):
            if each.kind is rule.kind:
                return each
        return replace(rule, instants=IntervalSet.everything())
