"""How the channels are doing, and what of that is worth telling."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from contactd.alerts.candidate import Candidate, Candidates, scope_of
from contactd.alerts.policy import Policy
from contactd.alerts.rules.service import service_condition
from contactd.core import alert as kinds
from contactd.core.alert import DeadLetter, Severity
from contactd.mission.texts.service import channel_failing, undelivered
from contactd.mission.timetext import NEAREST, machine

MOST_LETTERS_SHOWN = 20


class Passage(StrEnum):
    """Whether messages pass."""

    CLOSED = "closed"
    OPEN = "open"
    TRYING = "trying"


@dataclass(frozen=True, slots=True)
class ChannelStatus:
    """How a channel is doing.

    Attributes:
        failing_since: instant (s) of the first of the failures in a row, or None.
        reason: why the last attempt failed, or "".
        waiting: messages in hand; no part of comparisons.
    """

    channel: str
    passage: Passage
    failing_since: float | None
    reason: str
    waiting: int = field(default=0, compare=False)


def with_channels(
    found: Candidates,
    statuses: Iterable[ChannelStatus],
    dead_letters: Sequence[DeadLetter],
    policy: Policy,
) -> Candidates:
    """What is worth telling, and besides it which channels fail and what they could not be told."""
    some = tuple(statuses)
    more = [*_failing(some, policy), *_undelivered(dead_letters)]
    looked = {
        scope_of(kinds.UNDELIVERED, "contactd"),
        *(_series(kinds.CHANNEL_FAILING, status.channel) for status in some),
    }
    return replace(
        found,
        candidates=(*found.candidates, *more),
        looked={**found.looked, "": found.looked.get("", frozenset()) | looked},
    )


def _series(kind: str, channel: str) -> str:
    return "|".join((kind, "", channel))


def _failing(statuses: Iterable[ChannelStatus], policy: Policy) -> Iterator[Candidate]:
    for status in statuses:
        if status.failing_since is None:
            continue
        yield service_condition(
            kinds.CHANNEL_FAILING,
            Severity.CAUTION,
            status.failing_since + policy.channel_failing_after_s,
            channel_failing(status.channel, status.failing_since, status.reason),
            detail=status.channel,
            facts={
                "channel": status.channel,
                "since": machine(status.failing_since, NEAREST),
                "reason": status.reason,
            },
        )


def _undelivered(letters: Sequence[DeadLetter]) -> Iterator[Candidate]:
    by_channel: dict[str, list[DeadLetter]] = {}
    for letter in letters:
        by_channel.setdefault(letter.channel, []).append(letter)
    for channel, some in by_channel.items():
        yield service_condition(
            kinds.UNDELIVERED,
            Severity.CAUTION,
            some[0].at,
            undelivered(channel, len(some), some[-1].reason),
            detail=channel,
            facts={
                "channel": channel,
                "count": len(some),
                "letters": [
                    {
                        "message": each.message,
                        "reason": each.reason,
                        "at": machine(each.at, NEAREST),
                    }
                    for each in some[-MOST_LETTERS_SHOWN:]
                ],
            },
        )
