"""Which alerts are acknowledged together: those of a target, of a sequence, or of one cause."""

from __future__ import annotations

from dataclasses import dataclass

from contactd.core.errors import InputError
from contactd.mission.actions import Raised, Standing


@dataclass(frozen=True, slots=True)
class Together:
    """Alerts that wait and share what is given; what is "" does not narrow.

    Attributes:
        target, sequence: by name.
        cause: what they are about or rest on: the kind of alert, a step, or a station.
        only: only these identities, such as those that were shown; None for any.
    """

    target: str = ""
    sequence: str = ""
    cause: str = ""
    only: frozenset[str] | None = None

    def holds(self, raised: Raised) -> bool:
        """Whether an alert is one of them, whether or not it waits."""
        alert = raised.alert
        _, sequence, step = [*alert.subject.split("/", 2), "", ""][:3]
        causes = (alert.kind, step, alert.subject, *_stations(alert.facts.get("station")))
        return (
            (self.only is None or alert.identity in self.only)
            and (not self.target or _same(self.target, alert.target))
            and (not self.sequence or _same(self.sequence, sequence))
            and (not self.cause or any(_same(self.cause, each) for each in causes))
        )

    def __str__(self) -> str:
        given = (("target", self.target), ("sequence", self.sequence), ("cause", self.cause))
        return ", ".join(f"{name} {value!r}" for name, value in given if value)


def waiting_together(which: Together, standing: Standing) -> list[Raised]:
    """The alerts that wait and belong together, oldest first.

    Raises:
        InputError: where nothing is given to tell them by, or none waits.
    """
    if not (which.target or which.sequence or which.cause):
        says = "Nothing says which alerts. Give a target, a sequence or a cause."
        raise InputError("a target, a sequence or a cause", "nothing", "target", says=says)
    found = [
        each
        for each in standing.alerts
        if each.in_hand_s is None and not each.over and which.holds(each)
    ]
    if not found:
        says = f"No alert of {which} is waiting."
        raise InputError("alerts that wait", str(which), "target", says=says)
    return found


def _same(one: str, other: str) -> bool:
    return one.strip().casefold() == other.strip().casefold() != ""


def _stations(given: object) -> list[str]:
    if isinstance(given, str):
        return [given]
    return [each for each in given if isinstance(each, str)] if isinstance(given, list) else []
