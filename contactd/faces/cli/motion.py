"""Tracks of configured targets, and complaints about those that have none."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from contactd.faces.cli.output import complain, tell
from contactd.mission.timetext import NO_EARLIER, NO_LATER, length, moment, outer

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.orbit.track import Track
    from contactd.core.record import Record
    from contactd.core.target import Target


def track_of(target: Target, now: float, span: tuple[float, float]) -> Track | None:
    """How a target moves over a span (instants, s); None after a complaint on standard error.

    The data nearest to the present are used, or those nearest to the span where it lies elsewhere.
    """
    from contactd.core.errors import PropagationError

    seen_from = min(max(now, span[0]), span[1])
    epoch = target.epoch(seen_from)
    if epoch is None:
        complain(
            f"{target.name}: No elements. Add a set to its file; nothing is predicted without one."
        )
        return None
    stale = stale_text(target, now, epoch)
    if stale:
        tell(f"note: {target.name}: {stale}")
    opens = target.uncertain_from(seen_from, span)
    if opens is not None:
        tell(
            f"note: {target.name}: from {moment(opens, NO_LATER)} on contacts depend on how a "
            "planned manoeuvre goes; they are shown as planned"
        )
    try:
        return target.track(seen_from, span)
    except PropagationError as problem:
        complain(str(problem))
    except ValueError as problem:
        complain(f"{target.name}: {problem}")
    return None


def stale_text(target: Target, now: float, epoch: float) -> str:
    """What is wrong with data of an epoch (instant, s) that are too far from now, or ""."""
    age_s = abs(now - epoch)
    if age_s <= target.stale_after_s:
        return ""
    what, whose = "elements are", "their"
    if target.ephemeris is not None:
        what, whose = "ephemeris is", "its"
    elif target.state is not None:
        what, whose = "state is", "its"
    return (
        f"the {what} {length(age_s, NO_EARLIER)} from {whose} epoch and stale after "
        f"{length(target.stale_after_s, NO_LATER)}. Get a newer "
        f"{'set' if target.is_plain else 'one'}."
    )


def problems_of(
    target: Target, track: Track, now: float, span: tuple[float, float]
) -> tuple[list[str], list[str]]:
    """Why a track does not reach through a span (instants, s).

    Returns:
        (what is wrong in any case, where the motion ceases to be known before the span's end).
    """
    if target.is_plain:
        from contactd.core.contacts.prediction import problems_of as failures

        return [str(problem) for problem in failures(track, *span)], []
    from contactd.core.contacts.reach import reach_of

    reach = reach_of(track, span, now)
    if reach.problem:
        return [f"{target.name}: {reach.problem}"], []
    gaps = [f"{target.name}: its motion is not known from {outer(*gap)}" for gap in reach.gaps]
    if reach.span[1] < span[1]:
        until = moment(reach.span[1], NO_LATER)
        return gaps, [f"{target.name}: its motion is known until {until} only"]
    return gaps, []


def with_fetched_elements(configuration: Configuration) -> Configuration:
    """The configuration with the elements that the service has fetched, as the ledger has them."""
    if not configuration.feeds:
        return configuration
    from contactd.core.errors import ContactdError
    from contactd.core.orbit import parse_omm
    from contactd.faces.cli.store import state_of

    try:
        adopted = state_of(configuration).elements
    except ContactdError as error:
        complain(f"fetched elements cannot be read: {error}")
        return configuration
    targets = dict(configuration.targets)
    for name in configuration.feeds:
        text = str(adopted[name].body.get("omm", "")) if name in adopted else ""
        if text and name in targets:
            try:
                targets[name] = replace(targets[name], elements=parse_omm(text))
            except ContactdError as error:
                complain(f"{name}: the ledger's elements cannot be used: {error}")
    return replace(configuration, targets=targets)


def motion_known_by(target: Target, adopted: Record | None) -> Target:
    """The target with the elements of an adoption record; as it is if the record has none."""
    from contactd.core.errors import ContactdError
    from contactd.core.orbit import parse_omm

    text = "" if adopted is None else str(adopted.body.get("omm", ""))
    if not text:
        return target
    try:
        return replace(target, elements=parse_omm(text))
    except ContactdError as error:
        complain(f"{target.name}: the ledger's elements cannot be used: {error}")
        return target
