"""What the next shift must read back: every open hazard, stop and doubt."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from contactd.core.handover import DOUBT, HAZARD, STOP, OpenItem
from contactd.core.instants import DAY_S
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import SequenceForecast, StartStatus, StepForecast, StepStatus
from contactd.mission.changes import expiry_text, keep_clear_text
from contactd.mission.texts.stop import stop_text
from contactd.mission.timetext import outer

OVER = frozenset({StepStatus.SEEN, StepStatus.STOPPED, StepStatus.UNSET})
AHEAD_S = DAY_S
"""A start that is only expected counts from so long before it."""


def open_items(outlooks: Iterable[TargetOutlook], now_s: float) -> tuple[OpenItem, ...]:
    """All of them, target by target: doubts, then hazards, then stops.

    Args:
        now_s: the present (instant, s).
    """
    found = [each for outlook in outlooks for each in _of_target(outlook, now_s)]
    order = [DOUBT, HAZARD, STOP]
    return tuple(sorted(found, key=lambda each: (each.about.split("/")[0], order.index(each.kind))))


def _of_target(outlook: TargetOutlook, now_s: float) -> Iterator[OpenItem]:
    for forecast in outlook.forecasts:
        about = f"{forecast.target}/{forecast.sequence}"
        yield from _doubts(forecast, about)
        start = forecast.start
        far = start.earliest is None or start.earliest > now_s + AHEAD_S
        if start.status in (StartStatus.STOPPED, StartStatus.REFUTED) or (
            start.status is StartStatus.EXPECTED and far
        ):
            continue
        for step in forecast.steps:
            if step.status not in OVER and step.earliest is not None:
                yield from _of_step(step, f"{about}/{step.step}")


def _doubts(forecast: SequenceForecast, about: str) -> Iterator[OpenItem]:
    start = forecast.start
    if start.status is StartStatus.IN_DOUBT and start.earliest is not None:
        assert start.latest is not None
        span = outer(start.earliest, start.latest)
        yield OpenItem(DOUBT, about, f"may have started {span}: treat it as running.")
    for conflict in forecast.conflicts:
        yield OpenItem(DOUBT, about, f"records contradict: {conflict}")


def _of_step(step: StepForecast, about: str) -> Iterator[OpenItem]:
    if step.hazard:
        text = f"{step.hazard}, {step.status}, expires {expiry_text(step)}"
        if step.keep_clear is not None:
            text += f"; keep clear {keep_clear_text(step)}"
        yield OpenItem(HAZARD, about, f"{text}.")
    stop = stop_text(step)
    if stop:
        yield OpenItem(STOP, about, f"{stop[:1].upper()}{stop[1:]}.")
