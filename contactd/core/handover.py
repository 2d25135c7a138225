"""A shift that was handed over: what the next one must confirm, and what of it is confirmed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from contactd.core import record as kinds
from contactd.core.record import Record

HAZARD, STOP, DOUBT = "hazard", "stop", "doubt"
WITHIN_S: Final = 900.0
MOST_ITEMS: Final = 200


@dataclass(frozen=True, slots=True)
class OpenItem:
    """What must be read back: a hazard, a stop or a doubt.

    Attributes:
        about: the step or the sequence, as records have it.
        what: a sentence, as it was when the shift was handed over.
    """

    kind: str
    about: str
    what: str


@dataclass(frozen=True, slots=True)
class ReadBack:
    """Who confirmed an item, when (instant, s), and in which words; "" by a tick alone."""

    author: str
    at: float
    words: str
    record: int


@dataclass(frozen=True, slots=True)
class GivenHandover:
    """A shift that was handed over.

    Attributes:
        number: of its record.
        at: when (instant, s); ``author`` handed over, ``to`` takes over ("" for whoever does).
        within_s: so long after that everything is to be confirmed.
        items: numbered from 1, in this order.
        confirmed: by number.
    """

    number: int
    at: float
    author: str
    to: str
    within_s: float
    items: tuple[OpenItem, ...]
    confirmed: Mapping[int, ReadBack] = field(default_factory=dict)

    @property
    def due(self) -> float:
        """Until when everything is to be confirmed (instant, s)."""
        return self.at + self.within_s

    @property
    def unconfirmed(self) -> tuple[int, ...]:
        """Numbers of what nobody has confirmed."""
        numbers = range(1, len(self.items) + 1)
        return tuple(number for number in numbers if number not in self.confirmed)


def handover_body(items: tuple[OpenItem, ...], to: str, within_s: float) -> dict[str, Any]:
    """Body for HANDOVER_GIVEN."""
    told = [{"kind": each.kind, "about": each.about, "what": each.what} for each in items]
    return {"to": to, "within_s": within_s, "items": told[:MOST_ITEMS]}


def learn_handover(known: GivenHandover | None, record: Record) -> GivenHandover | None:
    """What is handed over, and confirmed, after one more record; one unreadable changes nothing."""
    body = record.body
    try:
        if record.kind == kinds.HANDOVER_GIVEN:
            return GivenHandover(
                record.number,
                record.at,
                record.author,
                str(body.get("to", "")),
                float(body["within_s"]),
                tuple(
                    OpenItem(str(each["kind"]), str(each["about"]), str(each["what"]))
                    for each in body["items"]
                ),
            )
        if known is None or int(body["handover"]) != known.number:
            return known
        read = ReadBack(record.author, record.at, str(body.get("words", "")), record.number)
        numbers = {int(each) for each in body["items"]} & set(known.unconfirmed)
    except (KeyError, TypeError, ValueError):
        return known
    return replace(known, confirmed={**known.confirmed, **dict.fromkeys(numbers, read)})
