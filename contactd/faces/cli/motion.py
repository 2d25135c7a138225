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


def with_fetched_elements(
    configuration: Configuration, known_at: float | None = None
) -> Configuration:
    """The configuration with the elements that the service has fetched, as the ledger has them.

    Args:
        known_at: an earlier instant (s): with what each target was known to move by then, and with
            nothing that was fetched later; None for the present.
    """
    if not configuration.feeds and known_at is None:
        return configuration
    from contactd.core.errors import ContactdError
    from contactd.faces.cli.store import state_of

    try:
        state = state_of(configuration, known_at)
    except ContactdError as error:
        complain(f"elements in the ledger cannot be read: {error}")
        return configuration
    targets = dict(configuration.targets)
    for name in configuration.feeds if known_at is None else list(targets):
        if name not in targets:
            continue
        adopted = state.elements.get(name)
        if adopted is not None:
            targets[name] = motion_known_by(targets[name], adopted)
        elif name in configuration.feeds:
            targets[name] = replace(targets[name], elements=())
    if known_at is not None and state.configuration is not None:
        then = state.configuration.body.get("digest")
        if then != configuration.digest:
            tell(
                "note: the files have changed since then. Sequences and stations are as they are "
                "now."
            )
    return replace(configuration, targets=targets)


def motion_known_by(target: Target, adopted: Record | None) -> Target:
    """The target with the elements of an adoption record; as it is if the record has none."""
    from contactd.core.errors import ContactdError
    from contactd.core.orbit import parse_omm

    text = "" if adopted is None else str(adopted.body.get("omm", ""))
    if not text:
        return target
    try:
        return replace(target, elements=parse_omm(text), state=None, ephemeris=None, manoeuvres=())
    except ContactdError as error:
        complain(f"{target.name}: the ledger's elements cannot be used: {error}")
        return target
