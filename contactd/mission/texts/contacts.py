"""Contacts that come, and command windows that open and close, in words.

Instants are in seconds; ``now_s`` is the moment at which the text is told.
"""

from __future__ import annotations

from dataclasses import dataclass

from contactd.mission.texts.text import Actor, Text, bounds, joined, sentence, since, until, window
from contactd.mission.timetext import error

STATION_OPERATOR, CONTROLLER = Actor.STATION_OPERATOR, Actor.CONTROLLER


@dataclass(frozen=True, slots=True)
class Out:
    """When a station is out during a contact: instants (s), within the contact, and why, or ""."""

    start_s: float
    end_s: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class Next:
    """The command window that is open, or opens next: instants (s) and station."""

    start_s: float
    end_s: float
    station: str


def contact_coming(
    target: str,
    station: str,
    aos_s: float,
    los_s: float | None,
    *,
    error_s: float,
    max_elevation_deg: float,
    azimuth_deg: float,
    now_s: float,
    commands: tuple[float, float] | None = None,
    open_bounds: tuple[float, float] | None = None,
    out: Out | None = None,
) -> Text:
    """A contact that comes, or that holds.

    Args:
        los_s: None where the prediction ends before it.
        error_s: how far AOS may be from ``aos_s``, either way.
        azimuth_deg: where the target comes up.
        commands: the command window in it, or None.
        open_bounds: earliest AOS and latest LOS where a planned manoeuvre leaves them open.
        out: when the station is out during it, or None.
    """
    if out is not None and out.start_s <= aos_s and (los_s is None or out.end_s >= los_s):
        return _without(target, station, aos_s, los_s or out.end_s, out, now_s)
    ends = "" if los_s is None else f", LOS {until(los_s, aos_s)}"
    elevation = f"max {max_elevation_deg:.0f}°"
    holds = now_s >= aos_s + error_s
    what = f"{target}: AOS with {station} {until(aos_s)}{error(error_s)}{ends}, {elevation}."
    if holds:
        what = f"{target}: in contact with {station}, {elevation}."
        if los_s is not None:
            what = f"{target}: in contact with {station} until {until(los_s)}{error(error_s)}."
    possible = ""
    if open_bounds is not None:
        possible = f"A planned manoeuvre leaves {bounds(*open_bounds, now_s)} possible."
    begins_s = aos_s if out is None or out.start_s > aos_s else out.end_s
    task = f"point to azimuth {azimuth_deg:.0f}° before {until(aos_s, now_s)}."
    if begins_s > aos_s:
        task = f"track from {since(begins_s, now_s)}."
    elif holds:
        task = "track now."
    return Text(
        joined(what, _outage(station, out, now_s)),
        joined(f"{STATION_OPERATOR}: {task}", possible, _commands(commands, now_s)),
    )


def _without(target: str, station: str, aos_s: float, los_s: float, out: Out, now_s: float) -> Text:
    """A contact in which the station is out all the time."""
    return Text(
        joined(
            f"{target}: {station} is out for the contact {bounds(aos_s, los_s)}.", sentence(out.why)
        ),
        f"{CONTROLLER}: use another station from {until(aos_s, now_s)}.",
    )


def _outage(station: str, out: Out | None, now_s: float) -> str:
    if out is None:
        return ""
    return joined(f"{station} is out {bounds(out.start_s, out.end_s, now_s)}.", sentence(out.why))


def _commands(commands: tuple[float, float] | None, now_s: float) -> str:
    if commands is None or commands[1] <= now_s:
        return ""
    if commands[0] <= now_s:
        return f"Commands until {until(commands[1], now_s)}."
    return f"Commands {window(*commands, now_s)}."


def possible_contact(
    target: str,
    station: str,
    start_s: float,
    end_s: float,
    now_s: float,
    out: Out | None = None,
) -> Text:
    """A contact that there will be only if a planned manoeuvre goes otherwise than planned."""
    if out is not None and out.start_s <= start_s and out.end_s >= end_s:
        return _without(target, station, start_s, end_s, out, now_s)
    search = f"search {bounds(start_s, end_s, now_s)}."
    if now_s >= start_s:
        search = f"search until {since(end_s, now_s)}."
    return Text(
        joined(
            f"{target}: possible contact with {station}, {bounds(start_s, end_s)}.",
            _outage(station, out, now_s),
        ),
        f"{STATION_OPERATOR}: {search} No signal proves nothing.",
    )


def in_window(
    contact: Text,
    target: str,
    station: str,
    span: tuple[float, float],
    *,
    error_s: float,
    closes_s: float,
    following: Next | None,
    horizon_s: float,
    now_s: float,
) -> Text:
    """A contact whose command window is open, or was: what is so of it, and what to do with it.

    Args:
        contact: the contact's own text.
        span: the window (instants, s).
        closes_s: so long before its end (s) it is said to close.
    """
    last_s = span[1] - error_s
    if now_s >= span[1] + error_s:
        after = window_closed(target, station, span[1], error_s, following, horizon_s, now_s)
        return Text(contact.what, after.do)
    if now_s >= last_s - closes_s:
        soon = window_closes_soon(target, station, span[1], error_s, following, horizon_s, now_s)
        return Text(joined(contact.what, f"Commands until {until(last_s)}."), soon.do)
    opened = window_opens(target, station, *span, error_s, now_s)
    return Text(joined(contact.what, f"Commands until {until(last_s)}."), opened.do)


def window_opens(
    target: str, station: str, opens_s: float, closes_s: float, error_s: float, now_s: float
) -> Text:
    """A command window that opens, or is open; its ends may be ``error_s`` off either way."""
    last_s = closes_s - error_s
    if now_s >= opens_s + error_s:
        what = f"{target}: commands possible through {station} until {until(last_s)}."
    else:
        span = window(opens_s, closes_s)
        what = f"{target}: command window with {station}, {span}{error(error_s)}."
    if last_s <= max(now_s, opens_s):
        return Text(what, f"{CONTROLLER}: rely on no command through {station} in this window.")
    return Text(
        what,
        f"{CONTROLLER}: send planned commands through {station} by {until(last_s, now_s)}.",
    )


def window_closes_soon(
    target: str,
    station: str,
    closes_s: float,
    error_s: float,
    following: Next | None,
    horizon_s: float,
    now_s: float,
) -> Text:
    """A command window that closes soon, and what comes then.

    Args:
        following: the window that is open or opens next, or None up to ``horizon_s``.
    """
    last_s = closes_s - error_s
    task = f"send remaining commands through {station} by {until(last_s, now_s)}."
    if last_s <= now_s:
        task = f"rely on no more commands through {station}."
    after = f"No later window is predicted up to {until(horizon_s, now_s)}."
    if following is not None and following.start_s <= closes_s:
        after = f"{following.station} is open until {until(following.end_s, now_s)}."
    elif following is not None:
        after = f"Next: {following.station}, {since(following.start_s, now_s)}."
    return Text(
        f"{target}: command window with {station} closes {until(closes_s)}{error(error_s)}.",
        joined(f"{CONTROLLER}: {task}", after),
    )


def window_closed(
    target: str,
    station: str,
    closed_s: float,
    error_s: float,
    following: Next | None,
    horizon_s: float,
    now_s: float,
) -> Text:
    """A command window that has closed; as :func:`window_closes_soon`."""
    if following is None:
        task = f"hold commands; no window is predicted up to {until(horizon_s, now_s)}."
    elif following.start_s <= now_s:
        task = f"send through {following.station} by {until(following.end_s, now_s)}."
    else:
        task = f"hold commands until {since(following.start_s, now_s)}, "
        task += f"through {following.station}."
    return Text(
        f"{target}: command window with {station} closed {until(closed_s)}{error(error_s)}.",
        f"{CONTROLLER}: {task}",
    )
