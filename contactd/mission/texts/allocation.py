"""Station time in words: how good an allocation is, and which stops it makes earlier."""

from __future__ import annotations

from collections.abc import Sequence

from contactd.core.allocation.problem import TierKind
from contactd.core.allocation.result import Allocation, EarlierStop, Grant, Reached
from contactd.mission.texts.text import quoted
from contactd.mission.timetext import NO_LATER, moment, on_day_of

LEAST_SHOWN = 0.0001


def how_good(made: Allocation) -> str:
    """What is proved of an allocation, and how far it may be from the best where nothing is."""
    if not made.unproved:
        return "Nothing better is possible: proved."
    if made.is_best:
        comfort = made.unproved[0]
        return (
            "No more can be granted: proved. Length, preferred stations and earlier grants are at "
            f"most {_share(comfort)} below the best."
        )
    first = made.unproved[0]
    return f"{_subject(first)} at most {_share(first)} below the best: the search ended there."


def _subject(reached: Reached) -> str:
    names = {
        TierKind.SERVED: "Urgent requests are",
        TierKind.LATENESS: "The moments until which stops can be sent are",
        TierKind.FROZEN: "Frozen grants are",
    }
    return names.get(reached.tier.kind, "Contacts by priority are")


def _share(reached: Reached) -> str:
    return f"{max(reached.gap, LEAST_SHOWN):.2%}"


def earlier_stop(each: EarlierStop, *, day_of_year: bool = False) -> str:
    """A stop-by that others' grants make earlier: when, instead of when, and lost to whom."""
    without = moment(each.without, NO_LATER, day_of_year=day_of_year)
    subject = f"{each.target}, {quoted(each.step)}"
    to = _takers(each.to)
    if each.stop_by is None:
        return f"{subject}: no certain stop instead of stop by {without}{to}."
    by = moment(each.stop_by, NO_LATER, day_of_year=day_of_year)
    return f"{subject}: stop by {by} instead of {on_day_of(without, by)}{to}."


def _takers(grants: Sequence[Grant]) -> str:
    named: dict[str, list[str]] = {}
    for grant in grants:
        urgent = [each for each in grant.requests if grant.urgent]
        named.setdefault(grant.target, []).extend(urgent)
    some = [
        f"{target} ({', '.join(dict.fromkeys(requests))})" if requests else target
        for target, requests in named.items()
    ]
    if not some:
        return ""
    return f", lost to {' and '.join(some) if len(some) < 3 else ', '.join(some)}"
