"""What an alert says, and the parts that its texts share.

Times are rounded to the safe side by :mod:`contactd.mission.timetext`. ``what`` carries the date;
in ``do`` it is left out within twelve hours of the moment at which the text is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from contactd.mission.timetext import NO_EARLIER, NO_LATER, inner, moment, outer


class Actor(StrEnum):
    """Who is to act."""

    CONTROLLER = "Controller"
    STATION_OPERATOR = "Station operator"
    PLANNER = "Planner"
    CREW_LEAD = "Crew lead"
    ORBIT_ANALYST = "Orbit analyst"
    ADMINISTRATOR = "Administrator"


@dataclass(frozen=True, slots=True)
class Text:
    """An alert in words.

    Attributes:
        what: the fact; one sentence, or two where the second gives the reason.
        do: who is to do what, and by when; "" where nothing is to be done.
        notice: the hazard notice, or ""; it is shown once, last, apart from ``do``.
    """

    what: str
    do: str = ""
    notice: str = ""


@dataclass(frozen=True, slots=True)
class Stop:
    """How a step can be stopped.

    Attributes:
        by_s: last instant (s) at which the command can be sent.
        station: the station that would send it, or "".
        stops: the step that the command names, often an earlier one.
    """

    by_s: float
    station: str
    stops: str

    def said(self, now_s: float) -> str:
        """``stop 'antenna release' through Norrsund by 12:10:00Z``."""
        return f"stop {quoted(self.stops)}{self.through} by {until(self.by_s, now_s)}"

    @property
    def through(self) -> str:
        """`` through Norrsund``, or "" where no station is known."""
        return f" through {self.station}" if self.station else ""


@dataclass(frozen=True, slots=True)
class Look:
    """The first contact after an expiry that can confirm it: instant (s) and station, or ""."""

    at_s: float
    station: str

    def said(self, now_s: float) -> str:
        """``12:40:10Z, Norrsund``: never before it can be had."""
        return ", ".join(filter(None, (since(self.at_s, now_s), self.station)))


def quoted(name: str) -> str:
    """A step's, sequence's or channel's name set apart from the sentence."""
    return f"'{name}'"


def step_of(target: str, step: str) -> str:
    """``Step 'antenna release' of Lantern 3``."""
    return f"Step {quoted(step)} of {target}"


def sequence_of(target: str, sequence: str) -> str:
    """``'wake-up' of Lantern 3``."""
    return f"{quoted(sequence)} of {target}"


def sentence(text: str) -> str:
    """The text as a sentence of its own: a capital first, one full stop last; "" for ""."""
    words = " ".join(text.split()).rstrip(".")
    return f"{words[0].upper()}{words[1:]}." if words else ""


def joined(*sentences: str) -> str:
    """Sentences one after another; empty ones are left out."""
    return " ".join(each for each in sentences if each)


def until(t_s: float, now_s: float | None = None) -> str:
    """A last moment, or an earliest: never later than it is."""
    return moment(t_s, NO_LATER, now_s=now_s)


def since(t_s: float, now_s: float | None = None) -> str:
    """A latest, or an end of what must be waited for: never earlier than it is."""
    return moment(t_s, NO_EARLIER, now_s=now_s)


def bounds(a_s: float, b_s: float, now_s: float | None = None) -> str:
    """An expiry or a keep-clear, from ... to ..., never narrower than it is."""
    return outer(a_s, b_s, now_s=now_s)


def window(a_s: float, b_s: float, now_s: float | None = None) -> str:
    """A command window, from ... to ..., never wider than it is."""
    return inner(a_s, b_s, now_s=now_s)
