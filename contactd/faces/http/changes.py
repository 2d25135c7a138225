"""What a record changes, in words: each step's forecast before it and after it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from contactd.core import instants
from contactd.core.outlook import Snapshot
from contactd.core.sequences.model import StepForecast
from contactd.mission.documents.steps import step_form

Key = tuple[str, str, str]


def change_form(before: Snapshot, after: Snapshot, target: str) -> dict[str, Any]:
    """Sentences, cautions, and the forecasts of one target's steps before and after."""
    was, now_is = _steps(before, target), _steps(after, target)
    sentences = [
        sentence for key, step in now_is.items() for sentence in _differences(was.get(key), step)
    ]
    starts = _start_changes(before, after, target)
    return {
        "sentences": [*starts, *sentences],
        "cautions": _cautions(before, after, target),
        "before": [step_form(step) for step in was.values()],
        "after": [step_form(step) for step in now_is.values()],
    }


def _steps(snapshot: Snapshot, target: str) -> dict[Key, StepForecast]:
    outlook = snapshot.targets.get(target)
    if outlook is None:
        return {}
    return {
        (step.target, step.sequence, step.step): step
        for forecast in outlook.forecasts
        for step in forecast.steps
    }


def _start_changes(before: Snapshot, after: Snapshot, target: str) -> list[str]:
    was, now_is = (
        {each.sequence: each.start for each in snapshot.targets[target].forecasts}
        if target in snapshot.targets
        else {}
        for snapshot in (before, after)
    )
    found = []
    for name, start in now_is.items():
        earlier = was.get(name)
        if earlier is None or earlier.status == start.status:
            continue
        found.append(f"start of {name}: {earlier.status.value}, would be {start.status.value}")
    return found


def _differences(was: StepForecast | None, now_is: StepForecast) -> Iterable[str]:
    if was is None:
        return
    name = now_is.step
    if was.status is not now_is.status:
        yield f"{name}: {was.status.value}, would be {now_is.status.value}"
    before, after = _bounds(was), _bounds(now_is)
    if before != after:
        yield f"{name}: runs out {before}, would move to {after}"
    if was.coverage is not now_is.coverage:
        yield f"{name}: {_word(was.coverage)}, would be {_word(now_is.coverage)}"
    before, after = _moment(was.stop_by), _moment(now_is.stop_by)
    if before != after:
        yield f"{name}: stop by {before}, would be {after}"
    before, after = _span(was.keep_clear), _span(now_is.keep_clear)
    if before != after:
        yield f"{name}: keep clear {before}, would be {after}"


def _cautions(before: Snapshot, after: Snapshot, target: str) -> list[str]:
    def conflicts(snapshot: Snapshot) -> set[str]:
        outlook = snapshot.targets.get(target)
        forecasts = outlook.forecasts if outlook else ()
        return {text for forecast in forecasts for text in forecast.conflicts}

    news = conflicts(after) - conflicts(before)
    found = sorted(text.replace("record 0", "this record") for text in news)
    for key, step in _steps(after, target).items():
        was = _steps(before, target).get(key)
        near_before = bool(was.people_in_danger) if was else False
        if step.people_in_danger and not near_before:
            found.append(f"{step.step}: people are planned to be near while all must keep clear")
        if step.stop_possible is False and (was is None or was.stop_possible is not False):
            found.append(f"{step.step}: no command window would be left to stop it")
    return found


def _bounds(step: StepForecast) -> str:
    if step.earliest is None or step.latest is None:
        return "at no known time"
    return _span((step.earliest, step.latest))


def _span(span: tuple[float, float] | None) -> str:
    if span is None:
        return "never"
    first, last = _moment(span[0]), _moment(span[1])
    if first[:10] == last[:10]:
        last = last[11:]
    return f"{first} to {last}"


def _moment(instant: float | None) -> str:
    return "never" if instant is None else instants.to_text(instant, 0).replace("T", " ")


def _word(value: Any) -> str:
    return "not judged" if value is None else str(value)
