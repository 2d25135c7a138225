"""Whether not having seen a step proves that it did not happen.

It does only when the step was watched for throughout every moment at which it may have acted, by
stations that certainly had the service it needs all that time. Anything less is written down, and
changes nothing.
"""

from __future__ import annotations

from contactd.core.errors import InputError
from contactd.core.instants import to_text
from contactd.core.sequences.coverage import Conditions, Services, view
from contactd.core.sequences.expiry import timeline
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Need, Sequence, Step
from contactd.core.sequences.naming import Statement, known_step
from contactd.core.sequences.stopping import TELEMETRY


def step_not_seen(
    sequence: Sequence,
    knowledge: SequenceKnowledge,
    step: str,
    start: float,
    end: float,
    services: Services,
    span: tuple[float, float],
    *,
    recorded_at: float,
    stations: frozenset[str] | None = None,
    conditions: Conditions | None = None,
) -> Statement:
    """Body for STEP_NOT_SEEN: the step's effect was watched for and not seen.

    Args:
        start, end: from when until when it was watched for (instants, s).
        services, span: coverage as predicted, missed contacts taken out, and what span it covers;
            the span must reach back to the step's expiry.
        stations: who watched; None for all.

    Returns:
        The body. ``refutes`` says whether it is accepted as proof, ``why`` says why (not).

    Raises:
        InputError: for an unknown step or station, bounds reversed, or an end in the future.
    """
    watched = known_step(sequence, step)
    if end < start:
        raise InputError(f"a time not before {to_text(start)}", to_text(end), "until")
    if end > recorded_at:
        raise InputError(f"a time not after now, {to_text(recorded_at)}", to_text(end), "until")
    names = {name for each in services.values() for name in each}
    unknown = sorted((stations or frozenset()) - names)
    if unknown:
        there = ", ".join(sorted(names)) or "none"
        raise InputError(f"a station that offers a service ({there})", unknown[0], "station")
    others = frozenset() if stations is None else frozenset(names - stations)
    problem = _doubt(sequence, knowledge, watched, (start, end), services, span, others, conditions)
    return {
        "from": to_text(start, 6),
        "until": to_text(end, 6),
        "stations": sorted(stations or names),
        "refutes": problem is None,
        "why": problem or "it was covered throughout every moment at which it may have acted",
    }


def _doubt(
    sequence: Sequence,
    knowledge: SequenceKnowledge,
    step: Step,
    watched: tuple[float, float],
    services: Services,
    span: tuple[float, float],
    others: frozenset[str],
    conditions: Conditions | None,
) -> str | None:
    """Why not having seen it proves nothing; None if it does."""
    expiry = timeline(sequence, knowledge).expiries[step.name]
    if expiry is None or expiry.held_left_s is not None:
        return "it is not known when it would have acted"
    if step.only_if_seen is not None and step.only_if_seen not in knowledge.seen:
        return f"it acts only if {step.only_if_seen} is seen, which was not"
    if watched[0] > expiry.earliest or watched[1] < expiry.latest:
        return (
            f"it may have acted from {to_text(expiry.earliest, 0)} to "
            f"{to_text(expiry.latest, 0)}, and was not watched for all that time"
        )
    needs = step.needs or (Need(TELEMETRY),)
    seen = view(needs, services, span, conditions, others)
    if not seen.known.covers(expiry.earliest, expiry.latest):
        return "the predicted coverage does not reach back to that time"
    if not seen.certain.covers(expiry.earliest, expiry.latest):
        wanted = " and ".join(
            " ".join([need.service, *(condition.words for condition in need.conditions)])
            for need in needs
        )
        return f"{wanted} was not certainly had throughout the time at which it may have acted"
    return None
