"""How what alerts are about stands now, in words: said when an alert ends."""

from __future__ import annotations

from collections.abc import Iterator

from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import SequenceForecast, StepForecast
from contactd.mission.texts.stop import stop_text
from contactd.mission.texts.text import bounds, sentence, sequence_of, step_of


def standing_of(outlook: TargetOutlook) -> Iterator[tuple[str, str]]:
    """Subject and words of each sequence and step of a target."""
    for forecast in outlook.forecasts:
        where = f"{forecast.target}/{forecast.sequence}"
        yield where, _sequence(forecast)
        for step in forecast.steps:
            yield f"{where}/{step.step}", step_standing(step)


def _sequence(forecast: SequenceForecast) -> str:
    name = sequence_of(forecast.target, forecast.sequence)
    return f"start of {name}: {forecast.start.status.value}."


def step_standing(step: StepForecast) -> str:
    """``Step 'boom' of Lantern 3 is running, covered, 12:00:00Z to 12:01:00Z.``"""
    parts = [f"{step_of(step.target, step.step)} is {step.status.value}"]
    if step.coverage is not None:
        parts.append(str(step.coverage))
    if step.earliest is not None and step.latest is not None:
        parts.append(f"expiry {bounds(step.earliest, step.latest)}")
    stop = stop_text(step)
    return " ".join(filter(None, (f"{', '.join(parts)}.", sentence(stop))))
