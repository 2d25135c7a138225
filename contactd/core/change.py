"""What a change of elements did to a target's contacts: a plain value, and its form in records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from contactd.core.contacts.comparison import Comparison
from contactd.core.contacts.contact import Contact
from contactd.core.instants import from_text, to_text
from contactd.core.record import ELEMENTS_CHANGED, Record


@dataclass(frozen=True, slots=True)
class Basis:
    """What predictions of a target rest on.

    Attributes:
        source: where it came from, for people.
        epoch: instant (s).
        digest: of all that is known of the motion.
    """

    source: str
    epoch: float
    digest: str


@dataclass(frozen=True, slots=True)
class Lone:
    """A contact that only one of two predictions has."""

    station: str
    aos: float
    duration_s: float
    appeared: bool


@dataclass(frozen=True, slots=True)
class Shift:
    """The contact whose AOS moved furthest; instants (s)."""

    station: str
    aos_before: float
    aos_after: float

    @property
    def seconds(self) -> float:
        """How much later AOS is now; negative: earlier."""
        return self.aos_after - self.aos_before


@dataclass(frozen=True, slots=True)
class ElementsChange:
    """Predictions of a target rest on something else than before.

    Attributes:
        at: instant (s) of the change.
        compared, vanished, appeared: how many contacts ahead both predictions have, and only the
            earlier or the later.
        furthest: None if no AOS can be compared.
        longest_lone: the longest contact ahead that vanished or appeared, or None.
    """

    target: str
    at: float
    before: Basis
    after: Basis
    compared: int = 0
    vanished: int = 0
    appeared: int = 0
    furthest: Shift | None = None
    longest_lone: Lone | None = None

    def exceeds(self, limit_s: float) -> bool:
        """Whether AOS moved by more than a limit, or a contact longer than it came or went."""
        return (self.furthest is not None and abs(self.furthest.seconds) > limit_s) or (
            self.longest_lone is not None and self.longest_lone.duration_s > limit_s
        )


def change_of(
    target: str, at: float, before: Basis, after: Basis, comparison: Comparison
) -> ElementsChange:
    """The change that a comparison of the two predictions shows."""
    furthest, lone = comparison.furthest, comparison.longest_unpaired
    return ElementsChange(
        target,
        at,
        before,
        after,
        compared=len(comparison.pairs),
        vanished=len(comparison.vanished),
        appeared=len(comparison.appeared),
        furthest=None
        if furthest is None
        else Shift(furthest.before.station, furthest.before.aos, furthest.after.aos),
        longest_lone=None if lone is None else _lone(lone, lone in comparison.appeared),
    )


def _lone(contact: Contact, appeared: bool) -> Lone:
    return Lone(contact.station, contact.aos, contact.duration_s, appeared)


def change_record(change: ElementsChange, author: str) -> Record:
    """The record of a change."""
    body: dict[str, Any] = {
        "before": _basis_form(change.before),
        "after": _basis_form(change.after),
        "compared": change.compared,
        "vanished": change.vanished,
        "appeared": change.appeared,
    }
    if change.furthest is not None:
        body["furthest"] = {
            "station": change.furthest.station,
            "aos_before": to_text(change.furthest.aos_before, 6),
            "aos_after": to_text(change.furthest.aos_after, 6),
            "moved_s": round(change.furthest.seconds, 3),
        }
    if change.longest_lone is not None:
        body["longest_lone"] = {
            "station": change.longest_lone.station,
            "aos": to_text(change.longest_lone.aos, 6),
            "duration_s": round(change.longest_lone.duration_s, 3),
            "appeared": change.longest_lone.appeared,
        }
    return Record(change.at, ELEMENTS_CHANGED, change.target, author, body)


def recorded_change(record: Record) -> ElementsChange | None:
    """The change that a record tells of; None if it cannot be understood."""
    body = record.body
    try:
        furthest, lone = body.get("furthest"), body.get("longest_lone")
        return ElementsChange(
            record.subject,
            record.at,
            _basis(body["before"]),
            _basis(body["after"]),
            compared=int(body["compared"]),
            vanished=int(body["vanished"]),
            appeared=int(body["appeared"]),
            furthest=None
            if furthest is None
            else Shift(
                str(furthest["station"]),
                from_text(furthest["aos_before"]),
                from_text(furthest["aos_after"]),
            ),
            longest_lone=None
            if lone is None
            else Lone(
                str(lone["station"]),
                from_text(lone["aos"]),
                float(lone["duration_s"]),
                bool(lone["appeared"]),
            ),
        )
    except (KeyError, TypeError, ValueError):
        return None


def _basis_form(basis: Basis) -> dict[str, Any]:
    return {
        "source": basis.source,
        "epoch": to_text(basis.epoch, 6),
        "digest": basis.digest,
    }


def _basis(form: Any) -> Basis:
    return Basis(str(form["source"]), from_text(form["epoch"]), str(form["digest"]))
