"""The record: one fact, as it was learned, decided, sent or seen.

A plain value. The store that keeps records in order is ``contactd.records``; the packages that give
meaning to a kind fold over these values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Record:
    """One entry of the append-only ledger.

    Attributes:
        number: position in the ledger, from 1, without gaps; 0 while it is not yet stored.
        at: when it was recorded (instant, s).
        kind: what sort of fact, one of ``KINDS``.
        subject: what it is about, such as ``Lantern 3`` or ``Lantern 3/wake-up``.
        author: who or what stated it (an operator's name, or ``contactd``).
        body: the fact itself, JSON values only.
        identity: an idempotency key; a second record with the same identity is not stored.
    """

    at: float
    kind: str
    subject: str
    author: str
    body: Body = field(default_factory=dict)
    identity: str = ""
    number: int = 0


# Kinds. A kind is never renamed or reused: old ledgers stay readable.
CONFIGURATION_ADOPTED = "configuration-adopted"
CONFIGURATION_REFUSED = "configuration-refused"
DEFINITION_ADOPTED = "definition-adopted"
DEFINITION_CONFIRMED = "definition-confirmed"
RETIRED = "retired"
ELEMENTS_ADOPTED = "elements-adopted"
ELEMENTS_CHANGED = "elements-changed"
START_PLANNED = "start-planned"
START_OBSERVED = "start-observed"
START_REFUTED = "start-refuted"
SEQUENCE_STOPPED = "sequence-stopped"
SEQUENCE_HELD = "sequence-held"
SEQUENCE_RESUMED = "sequence-resumed"
POWER_LOSS = "power-loss"
SETTING_CHOSEN = "setting-chosen"
START_ATTEMPTED = "start-attempted"
READING = "reading"
STEP_SEEN = "step-seen"
STEP_NOT_SEEN = "step-not-seen"
RULING = "ruling"
CONTACT_MISSED = "contact-missed"
AOS_OBSERVED = "aos-observed"
LOS_OBSERVED = "los-observed"
OFFSET_MEASURED = "offset-measured"
MOTION_CORRECTED = "motion-corrected"
COMMAND_SENT = "command-sent"
COMMAND_HEARD = "command-heard"
CONTACT_HELD = "contact-held"
STATION_STATUS = "station-status"
HANDOVER_GIVEN = "handover-given"
HANDOVER_CONFIRMED = "handover-confirmed"
REMARK = "remark"
ALERT_RAISED = "alert-raised"
ALERT_CHANGED = "alert-changed"
ALERT_SENT = "alert-sent"
ALERT_DELIVERED = "alert-delivered"
ALERT_FAILED = "alert-failed"
ALERT_ACKNOWLEDGED = "alert-acknowledged"
ALERT_RETRIED = "alert-retried"
ALERT_ESCALATED = "alert-escalated"
ALERT_SILENCED = "alert-silenced"
ALERT_EXPIRED = "alert-expired"
ALERT_RESOLVED = "alert-resolved"
ALERT_MISSED = "alert-missed"
SILENCE_SET = "silence-set"
SILENCE_LIFTED = "silence-lifted"
STATION_TIME_ALLOCATED = "station-time-allocated"
STATION_TIME_CONFIRMED = "station-time-confirmed"
SERVICE_STARTED = "service-started"
SERVICE_CAUGHT_UP = "service-caught-up"
SERVICE_STOPPED = "service-stopped"

KINDS = frozenset(
    value for name, value in globals().items() if name.isupper() and isinstance(value, str)
)
"""Every kind of record."""

# What stations observed of a target's motion.
OBSERVATIONS = frozenset({AOS_OBSERVED, LOS_OBSERVED, OFFSET_MEASURED})

# What is recorded of alerts: the bulk of a ledger. Its meaning is folded in contactd.alerts.
OF_ALERTS = frozenset(
    {
        ALERT_RAISED,
        ALERT_CHANGED,
        ALERT_SENT,
        ALERT_DELIVERED,
        ALERT_FAILED,
        ALERT_ACKNOWLEDGED,
        ALERT_RETRIED,
        ALERT_ESCALATED,
        ALERT_SILENCED,
        ALERT_EXPIRED,
        ALERT_RESOLVED,
        ALERT_MISSED,
        SILENCE_SET,
        SILENCE_LIFTED,
    }
)
