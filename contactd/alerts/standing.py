"""What people's actions about alerts are checked against, out of the fold of the records."""

from __future__ import annotations

from contactd.alerts.tracked import AlertState
from contactd.mission.actions import Letter, Raised, Standing, Window


def standing(state: AlertState, now_s: float) -> Standing:
    """Alerts, silences and undelivered messages as they stand at an instant (s)."""
    return Standing(
        alerts=tuple(
            Raised(
                number=each.number,
                alert=each.alert,
                over=now_s >= each.finished_at,
                in_hand_s=each.acknowledged_at,
                in_hand_of=each.acknowledged_by,
                again=each.again,
                superseded_by=_number(state, each.superseded_by),
            )
            for each in state.tracked.values()
        ),
        silences=tuple(
            Window(each.number, each.identity, each.until) for each in state.silences.values()
        ),
        undelivered=tuple(
            Letter(each.number, each.message, each.channel, each.at) for each in state.dead_letters
        ),
    )


def _number(state: AlertState, identity: str) -> int:
    tracked = state.tracked.get(identity)
    return 0 if tracked is None else tracked.number
