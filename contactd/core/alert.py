"""The alert: a fact worth telling somebody, as a plain value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Severity(StrEnum):
    """The trade's own three words."""

    ADVISORY = "advisory"
    CAUTION = "caution"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Alert:
    """A fact worth telling.

    Attributes:
        identity: idempotency key, the same for the same fact across restarts and replanning.
        kind: what sort of fact (``contact-coming``, ``step-out-of-view`` …).
        target: the satellite, or "" for the service itself.
        subject: what exactly, such as ``Lantern 3/wake-up/antenna release``.
        what: one sentence for a tired reader.
        advice: what to do now.
        due: instant (s) from which it is to be told.
        concerns: instant (s) of the matter itself (AOS, expiry …).
        over_at: instant (s) after which telling it is no use; it is then missed.
        facts: what it rests on, JSON values only.
        late: it was raised later than it fell due, because the service was down.
    """

    identity: str
    kind: str
    severity: Severity
    target: str
    subject: str
    what: str
    advice: str
    due: float
    concerns: float
    over_at: float
    facts: Mapping[str, Any] = field(default_factory=dict)
    late: bool = False
