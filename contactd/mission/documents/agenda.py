"""The document of what comes next."""

from __future__ import annotations

from contactd.mission.agenda import Agenda, Row
from contactd.mission.documents.spans import Form
from contactd.mission.timetext import machine

MOST_DECISIONS, MOST_ROUTINE = 100, 40


def agenda_form(found: Agenda, now_s: float) -> Form:
    """The first rows of what comes next, as :class:`~contactd.mission.documents.models.Agenda`.

    Routine that is under way comes in order of its end, as that is what comes next of it.
    """
    routine = sorted(found.routine, key=lambda row: row.from_s if row.from_s > now_s else row.to_s)
    return {
        "decisions": [row_form(row) for row in found.decisions[:MOST_DECISIONS]],
        "routine": [row_form(row) for row in routine[:MOST_ROUTINE]],
    }


def row_form(row: Row) -> Form:
    """One row, its times on the safe side."""
    return {
        "kind": str(row.kind),
        "from": machine(row.from_s, row.safe[0]),
        "to": machine(row.to_s, row.safe[1]),
        "target": row.target,
        "sequence": row.sequence or None,
        "step": row.step or None,
        "stops": row.stops or None,
        "station": row.station or None,
        "coverage": None if row.coverage is None else str(row.coverage),
        "until_decided": row.until_decided,
        "text": row.text,
    }
