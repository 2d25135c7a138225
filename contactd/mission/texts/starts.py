"""Starts that nobody reported, that are in doubt, or that records contradict, in words.

Instants are in seconds; ``now_s`` is the moment at which the text is told.
"""

from __future__ import annotations

from contactd.mission.texts.text import (
    Actor,
    Look,
    Text,
    bounds,
    joined,
    sentence,
    sequence_of,
    since,
)

CONTROLLER, CREW_LEAD = Actor.CONTROLLER, Actor.CREW_LEAD


def start_unconfirmed(target: str, sequence: str, latest_s: float) -> Text:
    """A planned start whose latest moment has passed, and that nobody reported."""
    return Text(
        f"{sequence_of(target, sequence)}: start due by {since(latest_s)}, not reported.",
        f"{CONTROLLER}: ask the crew now; record start or no-start.",
    )


def start_in_doubt(
    target: str,
    sequence: str,
    start_s: float,
    end_s: float,
    look: Look | None,
    now_s: float,
    notice: str = "",
) -> Text:
    """A sequence of which it is not known whether it started.

    Args:
        start_s, end_s: between which it may have started (instants, s).
        look: the first contact that can show it, or None.
        notice: the hazard notice where a step is hazardous, else "".
    """
    what = f"{sequence_of(target, sequence)} may have started, {bounds(start_s, end_s)}."
    first = "" if look is None else f"First look {look.said(now_s)}."
    if not notice:
        task = f"{CONTROLLER}: treat it as running until a decision is recorded."
        return Text(what, joined(task, first))
    task = f"{CREW_LEAD}: treat it as running."
    keep = "Keep everyone away now, until a decision is recorded."
    return Text(what, joined(task, keep, first), notice)


def conflicting_records(target: str, sequence: str, conflict: str) -> Text:
    """Records of a sequence that contradict each other: ``conflict`` says which."""
    return Text(
        joined(f"{sequence_of(target, sequence)}: records contradict.", sentence(conflict)),
        f"{CONTROLLER}: compare both now; record a decision. Earlier state stays in force.",
    )
