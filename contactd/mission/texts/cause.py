"""Why a step is covered, at risk or uncovered, in words."""

from __future__ import annotations

from contactd.core.sequences import causes
from contactd.core.sequences.model import Cause, Need, StepForecast
from contactd.mission.timetext import NO_EARLIER, NO_LATER, inner, length, moment


def cause_text(step: StepForecast) -> str:
    """From what a step's coverage follows, as part of a sentence; "" where it needs nothing."""
    cause = step.cause
    if cause is None or step.earliest is None or step.latest is None:
        return ""
    if not cause.lacks:
        return "wherever the expiry falls between its bounds"
    if cause.lacks[0] in causes.OF_THE_PREDICTION:
        return _of_the_prediction(cause)
    need = step.needs[cause.need] if cause.need is not None else None
    parts = [_listed([_lack(name, cause, need) for name in cause.lacks])]
    if cause.conditions and cause.stations and causes.SERVICE not in cause.lacks:
        parts.append(f"{_listed(list(cause.stations))} in contact throughout")
    parts += _how_far(cause, step.earliest, step.latest)
    return "; ".join(parts)


def reasons_of(step: StepForecast) -> list[str]:
    """What a step's forecast follows from, in words: its coverage first, then the rest."""
    because = cause_text(step)
    return [*([f"{step.coverage}: {because}"] if because else []), *step.reasons]


def need_text(need: Need) -> str:
    """What a need asks for: ``telemetry from 1 min before to 3 min after, in sunlight``."""
    before, after = length(need.before_s, NO_EARLIER), length(need.after_s, NO_EARLIER)
    parts = [f"{need.service} from {before} before to {after} after"]
    if need.stations > 1:
        parts.append(f"through {need.stations} stations at once")
    if not need.handover:
        parts.append("without a change of station")
    return ", ".join([*parts, *(condition.words for condition in need.conditions)])


def _lack(name: str, cause: Cause, need: Need | None) -> str:
    for condition in cause.conditions:
        if condition.name == name:
            checked = condition not in cause.unchecked
            return condition.lacking if checked else f"whether {condition.words} is not known"
    match name:
        case causes.SERVICE:
            return f"no {need.service if need else 'service'}"
        case causes.STATIONS:
            return f"fewer than {need.stations if need else 2} stations at once"
        case causes.STATION_CHANGE:
            return "only with a change of station"
        case causes.DEGRADED:
            names = _listed(list(cause.stations))
            verb = "is" if len(cause.stations) == 1 else "are"
            return f"only through {names}, which {verb} degraded"
        case causes.ORBIT_ERROR:
            return "covered only for part of the orbit error"
        case causes.MANOEUVRE:
            return "covered only for some outcomes of a planned manoeuvre"
        case _:
            return "its needs are met, but not at the same time"


def _how_far(cause: Cause, earliest: float, latest: float) -> list[str]:
    """How far the expiry is from coverage, or how much of it is not covered."""
    width_s = latest - earliest
    if 0 < cause.outside_s < width_s - causes.MOMENT_S:
        outside, width = length(cause.outside_s, NO_EARLIER), length(width_s, NO_EARLIER)
        return [f"up to {outside} of its {width} are not covered"]
    if cause.outside_s <= 0 and width_s > 0:
        return []
    texts = []
    if cause.until is not None:
        texts.append(
            f"ends {length(earliest - cause.until, NO_EARLIER)} before the earliest expiry"
        )
    if cause.since is not None:
        texts.append(f"resumes {length(cause.since - latest, NO_EARLIER)} after the latest")
    if not texts:
        return ["not covered at any time of the prediction"]
    return [f"coverage {' and '.join(texts)}"]


def _of_the_prediction(cause: Cause) -> str:
    if cause.until is not None and cause.since is not None:
        return f"no prediction {inner(cause.until, cause.since)}, so whether it is covered is open"
    if cause.until is not None:
        return f"the prediction ends too early to tell, at {moment(cause.until, NO_LATER)}"
    if cause.since is not None:
        return f"the prediction begins only at {moment(cause.since, NO_EARLIER)}"
    return "the prediction is shorter than what the step needs"


def _listed(parts: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
