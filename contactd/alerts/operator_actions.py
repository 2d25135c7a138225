"""What people do about alerts, checked and made into records.

Raises, all of them: :class:`InputError` for what cannot be meant.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from contactd.alerts.words import as_text, duration, moment
from contactd.core import record as kinds
from contactd.core.alert import Alert, DeadLetter, Silence
from contactd.core.errors import InputError
from contactd.core.record import Record

LONGEST_SILENCE_S = 30 * 86_400.0


def acknowledgement(alert: Alert, author: str, now: float, remark: str = "") -> Record:
    """The record that somebody has an alert in hand."""
    body = {"identity": alert.identity}
    if remark.strip():
        body["remark"] = remark.strip()
    return Record(
        at=now,
        kind=kinds.ALERT_ACKNOWLEDGED,
        subject=alert.subject,
        author=author,
        body=body,
        identity=f"acknowledged:{alert.identity}",
    )


def silence(
    begins: float,
    ends: float,
    why: str,
    author: str,
    now: float,
    *,
    targets: Iterable[str] | None = None,
    alert_kinds: Iterable[str] | None = None,
    warnings: bool = False,
) -> Record:
    """The record of a window (instants, s) in which alerts are recorded, but not sent.

    Args:
        why: the reason; it is part of the record.
        targets, alert_kinds: only these; None for all.
        warnings: whether warnings are held back too.
    """
    if not why.strip():
        raise InputError("the reason for the silence: it is part of the record", "nothing", "why")
    for key, instant in (("from", begins), ("until", ends)):
        if not math.isfinite(instant):
            raise InputError("a time: every silence has an end", str(instant), key)
    if ends <= begins:
        raise InputError(f"a time after {moment(begins)}", moment(ends), "until")
    if ends <= now:
        raise InputError(f"a time after now, {moment(now)}", moment(ends), "until")
    if ends - begins > LONGEST_SILENCE_S:
        raise InputError(
            f"a silence of at most {duration(LONGEST_SILENCE_S)}", duration(ends - begins), "until"
        )
    named = None if targets is None else sorted(set(targets))
    if named == []:
        raise InputError("at least one target, or none given for all", "an empty list", "targets")
    identity = f"silence-{as_text(now)}-{author}"
    return Record(
        at=now,
        kind=kinds.SILENCE_SET,
        subject=named[0] if named and len(named) == 1 else "",
        author=author,
        body={
            "silence": identity,
            "from": as_text(begins),
            "until": as_text(ends),
            "why": why.strip(),
            "targets": named,
            "kinds": None if alert_kinds is None else sorted(set(alert_kinds)),
            "warnings": warnings,
        },
        identity=identity,
    )


def lifting(window: Silence, author: str, now: float) -> Record:
    """The record that a silence is ended early."""
    if now >= window.until:
        raise InputError("a silence that has not ended yet", moment(window.until), "silence")
    return Record(
        at=now,
        kind=kinds.SILENCE_LIFTED,
        subject="",
        author=author,
        body={"silence": window.identity},
        identity=f"lifted:{window.identity}",
    )


def retry(letter: DeadLetter, author: str, now: float) -> Record:
    """The record that a message that was given up is to be tried again."""
    return Record(
        at=now,
        kind=kinds.ALERT_RETRIED,
        subject="",
        author=author,
        body={"message": letter.message, "channel": letter.channel},
        identity=f"retried:{letter.channel}:{letter.message}:{as_text(letter.at)}",
    )
