"""One alert about several steps of a chain, in words. Instants are in seconds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from contactd.core import alert as kinds
from contactd.mission.texts.text import Stop, Text, bounds, joined, quoted, until

MOST_SAID = 4
"""Steps named beside the first; the others are counted."""

_SAME = {
    kinds.STEP_UNCOVERED: "Also uncovered",
    kinds.STEP_AT_RISK: "Also at risk",
    kinds.STOP_BY_COMING: "Also",
    kinds.STOP_BY_PASSED: "Nor is a stop certain for",
    kinds.NO_STOP: "Nor is a stop possible for",
}


@dataclass(frozen=True, slots=True)
class Other:
    """A step beside the first.

    Attributes:
        expiry, clear: its expiry, and its keep-clear or None (instants, s).
        stop: how it can still be stopped, or None.
    """

    step: str
    expiry: tuple[float, float]
    clear: tuple[float, float] | None = None
    stop: Stop | None = None


def with_others(
    kind: str, first: Text, stop: Stop | None, others: Sequence[Other], now_s: float
) -> Text:
    """The text of a chain: that of its first step, and what holds for the others as well.

    Args:
        stop: how the first step can be stopped, or None.
    """
    shown = others[:MOST_SAID]
    said = [f"{quoted(each.step)}, {_when(kind, each)}" for each in shown]
    if len(others) > MOST_SAID:
        said.append(f"{len(others) - MOST_SAID} more")
    tasks = list(_tasks(kind, stop, shown, now_s))
    also = f"Also {'; '.join(tasks)}." if tasks else ""
    return replace(
        first,
        what=joined(first.what, f"{_SAME[kind]} {'; '.join(said)}."),
        do=joined(first.do, also),
    )


def _when(kind: str, other: Other) -> str:
    if kind == kinds.STOP_BY_COMING and other.stop is not None:
        return f"by {until(other.stop.by_s)}"
    return bounds(*other.expiry)


def _tasks(kind: str, stop: Stop | None, others: Iterable[Other], now_s: float) -> Iterable[str]:
    """What else is to be done: other stops than the first's, and other keep-clears."""
    sent = {"" if stop is None else stop.stops}
    for each in others:
        if kind == kinds.STOP_BY_COMING and each.stop is not None and each.stop.stops not in sent:
            sent.add(each.stop.stops)
            yield each.stop.said(now_s)
        elif kind in (kinds.STOP_BY_PASSED, kinds.NO_STOP) and each.clear is not None:
            yield f"{bounds(*each.clear, now_s)} for {quoted(each.step)}"
