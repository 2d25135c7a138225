"""Countdowns that begin anew: a command-loss timer counts from the last command heard.

A countdown with a delay in [D−, D+] begins at its origin, and again at each restarting occurrence
[e, l] that can meet it while it runs. Each of these *beginnings* [a, b] gives one part of the
possible expiries, [a + D−, b + D+], cut off at l of every sure restart that certainly came after
it. Only the first expiry counts. What is not known (whether a command was heard) leaves several
parts; the expiry lies in one of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from contactd.core.contacts.contact import Coverage
from contactd.core.sequences.countdown import Span
from contactd.core.sequences.curves import Curve
from contactd.core.sequences.known import Heard, SequenceKnowledge
from contactd.core.sequences.model import NextCommand, Restart
from contactd.core.sequences.model import Sequence as Chain
from contactd.core.sequences.stopping import LightTime, light_time_of

MOST_OCCURRENCES = 1_000
"""More restarts of one countdown than these, the latest, are not looked at."""
MOST_NAMED = 2
"""How many of the last command windows are named."""


@dataclass(frozen=True, slots=True)
class Occurrence:
    """Something that restarts a countdown, between two instants (s); sure, or perhaps not at all.

    ``record`` is the number of the record that it comes from.
    """

    earliest: float
    latest: float
    sure: bool
    record: int = 0


class RunsFrom(Protocol):
    """Bounds of a countdown's expiry from a beginning, with what is known until a sure restart."""

    def __call__(self, begun: Span, until: float) -> tuple[Span, list[str]]: ...


def occurrences(
    sequence: Chain, rule: Restart, knowledge: SequenceKnowledge
) -> tuple[Occurrence, ...]:
    """What may have restarted a countdown, by time; what was certainly not heard is left out."""
    events = [each for each in sequence.events if each.name in rule.by]
    found = [
        Occurrence(each.earliest, each.latest, each.heard is Heard.YES, each.record)
        for each in knowledge.commands
        if each.heard is not Heard.NO and any(event.is_command(each.command) for event in events)
    ]
    found += [
        Occurrence(each.earliest, each.latest, True, each.record)
        for each in knowledge.contacts_held
        if any(event.is_contact(each.station) for event in events)
    ]
    return tuple(sorted(found, key=lambda each: (each.earliest, each.latest)))


def parts_of(
    origin: Span, restarts: Sequence[Occurrence], runs: RunsFrom, disturbed: bool = False
) -> tuple[tuple[Span, ...], list[str]]:
    """The parts of the possible expiries, by beginning, and what contradicts them, in words.

    A part that a reading rules out falls away as long as another one is left.

    Args:
        origin: of the first countdown.
        restarts: by time, on the scale of ``origin``; the latest ``MOST_OCCURRENCES`` count.
        runs: the countdown itself.
        disturbed: it was held or set back, so that it may last longer than by itself.
    """
    if not restarts:
        span, problems = runs(origin, math.inf)
        return (span,), problems
    restarts = restarts[-MOST_OCCURRENCES:]
    # Without readings, each of which speaks of one beginning only.
    alone = runs(origin, -math.inf)[0]
    shortest_s = 0.0 if disturbed else alone.low.least - origin.low.least
    longest_s = math.inf if disturbed else alone.high.greatest - origin.high.greatest
    made: list[tuple[Span, list[str]]] = []
    for begun in (origin, *_beginnings(origin, restarts, longest_s)):
        until, cut = _until(restarts, begun.high.greatest)
        if begun.low.least + shortest_s > cut:
            continue  # It cannot have expired before it was begun anew.
        span, found = runs(begun, until)
        span = span if cut == math.inf else span.within(None, cut)
        if not span.is_empty:
            made.append((span, found))
    left = [span for span, found in made if not found]
    if left:
        return tuple(left), []
    return tuple(span for span, _ in made), [text for _, texts in made for text in texts]


def _until(restarts: Sequence[Occurrence], begun: float) -> tuple[float, float]:
    """When the first sure restart that certainly comes later happens: at the earliest, at the
    latest."""
    after = [each for each in restarts if each.sure and each.earliest >= begun]
    after = [each for each in after if each.latest > begun]
    return (
        min((each.earliest for each in after), default=math.inf),
        min((each.latest for each in after), default=math.inf),
    )


def _beginnings(origin: Span, restarts: Sequence[Occurrence], longest_s: float) -> Iterator[Span]:
    """Where the countdown may begin anew: each occurrence, as far as one that runs can reach it.

    How far the runs reach depends on the beginnings, and they on that: it is repeated until
    nothing changes.
    """
    first = np.maximum([each.earliest for each in restarts], origin.low.least)
    latest = np.array([each.latest for each in restarts])
    ends = np.full(len(restarts), -np.inf)
    others = ~np.eye(len(restarts), dtype=bool)
    begun_before = (first[None, :] <= latest[:, None]) & others
    while True:
        reach = np.where(begun_before, ends[None, :], -np.inf).max(axis=1, initial=-np.inf)
        reach = np.maximum(reach, origin.high.greatest) + longest_s
        met = (first <= reach) & (latest >= origin.low.least)
        found = np.where(met, np.minimum(latest, reach), -np.inf)
        if (found == ends).all():
            break
        ends = found
    for low, high in zip(first[met].tolist(), ends[met].tolist(), strict=True):
        yield Span(
            Curve.constant(low, origin.low), Curve.constant(high, origin.high), (low + high) / 2
        )


def known_between(
    knowledge: SequenceKnowledge, step: str, first: float, last: float
) -> SequenceKnowledge:
    """What is known, with only those readings of a step that were surely taken in between."""
    return replace(
        knowledge,
        readings=tuple(
            each
            for each in knowledge.readings
            if each.step != step
            or (each.at - each.at_error_s >= first and each.at + each.at_error_s < last)
        ),
    )


def next_command(
    rule: Restart,
    earliest: float,
    commands: Mapping[str, Coverage],
    now: float,
    light_time_s: LightTime = 0.0,
) -> NextCommand:
    """Until when the next command must be sent.

    Args:
        earliest: earliest expiry (instant, s) that is still ahead.
        commands: coverage of the command service by station; only certain coverage counts.
        now: instant (s).
    """
    limit = earliest - rule.takes_effect_s - rule.lead_s
    windows: list[tuple[float, float, str]] = []
    for name, coverage in commands.items():
        windows += [(end, start, name) for start, end in coverage.certain.clip(now, limit)]
    windows.sort()
    by: float | None = None
    station: str | None = None
    for end, start, name in windows:
        at = end - light_time_of(light_time_s, name, end)
        if at >= max(start - light_time_of(light_time_s, name, start), now) and (
            by is None or at > by
        ):
            by, station = at, name
    named = tuple((name, start, end) for end, start, name in windows[-MOST_NAMED:])
    return NextCommand(by, station, len(windows), named, limit)
