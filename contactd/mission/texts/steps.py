"""Steps that expire, covered or not, in words.

Instants are in seconds; ``now_s`` is the moment at which the text is told.
"""

from __future__ import annotations

from dataclasses import dataclass

from contactd.mission.texts.text import (
    Actor,
    Look,
    Stop,
    Text,
    bounds,
    joined,
    quoted,
    sentence,
    since,
    step_of,
    until,
)

CONTROLLER, PLANNER = Actor.CONTROLLER, Actor.PLANNER


@dataclass(frozen=True, slots=True)
class Expiring:
    """A step and its expiry.

    Attributes:
        earliest_s, latest_s: its expiry (instants, s).
        planned: its sequence has not started.
        in_doubt: it is not known whether its sequence has started.
        stop: how it can still be stopped, or None.
        look: the first contact that can confirm it, or None where none is predicted.
        because: why it is not covered, in words, or "".
        notice: the hazard notice of a hazardous step, else "".
    """

    target: str
    step: str
    earliest_s: float
    latest_s: float
    planned: bool = False
    in_doubt: bool = False
    stop: Stop | None = None
    look: Look | None = None
    because: str = ""
    notice: str = ""

    @property
    def name(self) -> str:
        """``Step 'antenna release' of Lantern 3``."""
        return step_of(self.target, self.step)

    def expires(self, how: str, now_s: float) -> str:
        """The sentence that it expires, ``how`` (covered, at risk ...; "" to leave that open)."""
        manner = f" {how}" if how else ""
        span = bounds(self.earliest_s, self.latest_s)
        comma = "," if how else ""
        if now_s >= self.earliest_s and not self.planned:
            return f"{self.name} may be expiring{manner} until {since(self.latest_s)}."
        if self.planned:
            return f"{self.name} would {'be' if how else 'expire'}{manner} {span}."
        if self.in_doubt:
            return f"{self.name} may expire{manner}{comma} {span}."
        return f"{self.name} expires{manner}{comma} {span}."

    def first_look(self, now_s: float) -> str:
        """``First look 12:40:10Z, Norrsund.``, or "" where none is predicted."""
        return "" if self.look is None else f"First look {self.look.said(now_s)}."


def step_expiring(step: Expiring, stations: tuple[str, ...], covered: bool, now_s: float) -> Text:
    """A step that expires.

    Args:
        stations: those that have what the step needs while it may expire, best first.
        covered: they certainly have it all the time, or it needs nothing.
    """
    if stations:
        when = bounds(step.earliest_s, step.latest_s, now_s)
        if now_s >= step.earliest_s:
            when = f"until {since(step.latest_s, now_s)}"
        task = f"watch through {_any_of(stations)}, {when}."
        if not covered:
            task += " It is not certainly covered."
    elif covered:
        task = "be ready for it."
    else:
        task = "plan for no contact at its expiry."
    stop = ""
    if step.stop is not None:
        by = until(step.stop.by_s, now_s)
        stop = f"Stop by {by}{step.stop.through} stops {quoted(step.stop.stops)}."
    return Text(step.expires("", now_s), joined(f"{CONTROLLER}: {task}", stop), step.notice)


def _any_of(stations: tuple[str, ...]) -> str:
    return " or ".join((*stations[:2], "another") if len(stations) > 2 else stations)


def step_expired(step: Expiring, now_s: float) -> Text:
    """A step whose latest expiry has passed."""
    what = f"{step.name} has expired, by {since(step.latest_s)}."
    if step.in_doubt:
        what = f"{step.name} may have expired, by {since(step.latest_s)}."
    if step.look is None:
        return Text(what, f"{CONTROLLER}: find a contact to check it; none is known.", step.notice)
    through = f" through {step.look.station}" if step.look.station else ""
    at = since(step.look.at_s, now_s)
    return Text(what, f"{CONTROLLER}: check its effect{through} from {at}; record it.", step.notice)


def step_uncovered(step: Expiring, now_s: float, stations_help: bool = True) -> Text:
    """A step that expires, or would expire, while its needs are certainly not met.

    Args:
        stations_help: another station could meet the need that fails.
    """
    what = joined(step.expires("uncovered", now_s), sentence(step.because))
    if step.planned:
        return Text(what, _replan(), step.notice)
    if step.stop is not None:
        task = f"decide; to prevent it, {step.stop.said(now_s)}."
    elif stations_help:
        when = bounds(step.earliest_s, step.latest_s, now_s)
        task = f"ask another station to listen, {when}."
    else:
        task = "plan for no cover at its expiry."
    return Text(what, joined(f"{CONTROLLER}: {task}", step.first_look(now_s)), step.notice)


def step_at_risk(step: Expiring, now_s: float) -> Text:
    """A step that may expire while its needs are not met."""
    what = joined(step.expires("at risk", now_s), sentence(step.because))
    if step.planned:
        return Text(what, _replan(), step.notice)
    by_s = step.earliest_s if step.stop is None else step.stop.by_s
    if by_s <= now_s:
        return Text(what, joined(f"{CONTROLLER}: watch for it now.", step.first_look(now_s)),
                    step.notice)  # fmt: skip
    task = f"get a reading or newer elements before {until(by_s, now_s)}."
    return Text(what, f"{CONTROLLER}: {task}", step.notice)


def _replan() -> str:
    return f"{PLANNER}: choose another option (contactd align) before the start."
