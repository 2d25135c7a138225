"""Where a target is seen and stands: timeline, elevation profiles, light, sky and ground."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from contactd.core.contacts.table import meeting
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.track import Track
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.faces.http.context import (
    Context,
    Ctx,
    From,
    Instant,
    KnownAt,
    Name,
    Names,
    Reader,
    To,
    check_names,
)
from contactd.faces.http.problems import Problem
from contactd.mission.documents.contacts import (
    flat_spans,
    milliseconds,
    outlook_contact_form,
    timeline_form,
)
from contactd.mission.documents.spans import inner_forms, outer_forms
from contactd.mission.documents.steps import step_detail

router = APIRouter(tags=["motion"])

DAY_S = 86_400.0
MOST_PROFILES = 600
MOST_DRAWN = 60_000
"""Contacts in one timeline: thirty days of ten targets and twenty stations are half as many."""
LONGEST_GROUND_S = 2 * DAY_S
MOST_LIGHTS = 256


class _Memory:
    """Figures that depend on elements and a span only, so that they outlast a replanning."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = Lock()
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()

    def of(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """The figure of a key, made if it is not kept."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        made = make()
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return made


_LIGHTS = _Memory(MOST_LIGHTS)


@router.get("/timeline", summary="All contacts in columns, for drawing")
def timeline(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Names = None,
    start: From = None,
    end: To = None,
    known_at: KnownAt = None,
) -> Response:
    """Each target's contacts by station as columns of milliseconds, with command windows, expiry
    intervals, keep-clear and people-near times. For programs, ``/contacts`` is the better form.

    Targets that would make it too large are named in `left_out`: ask for them by `target`."""
    snapshot = ctx.snapshot(known_at)
    check_names(snapshot, target)
    whole = _span(snapshot)
    first = whole[0] if start is None else start
    last = whole[1] if end is None else end

    def make() -> Any:
        drawn, left_out = _drawn(snapshot, target)
        return {
            "from": milliseconds(first),
            "to": milliseconds(last),
            "targets": [
                {
                    **timeline_form(outlook, first, last),
                    "problem": outlook.problem,
                    "sequences": _timeline_sequences(ctx, outlook.target, snapshot),
                }
                for outlook in drawn
            ],
            "left_out": left_out,
        }

    return ctx.payloads.answer(request, make, tuple(target or ()), start, end, known_at)


def _drawn(snapshot: Snapshot, wanted: list[str] | None) -> tuple[list[TargetOutlook], list[str]]:
    """The outlooks that there is room for, those with countdowns first, and who is left out."""
    outlooks = [each for name, each in snapshot.targets.items() if not wanted or name in wanted]
    drawn: list[TargetOutlook] = []
    left_out, room = [], MOST_DRAWN
    for outlook in sorted(outlooks, key=lambda each: not each.forecasts):
        room -= len(outlook.contacts)
        if room >= 0 or not drawn:
            drawn.append(outlook)
        else:
            left_out.append(outlook.target)
    return drawn, left_out


def _timeline_sequences(ctx: Context, target: str, snapshot: Snapshot) -> list[dict[str, Any]]:
    from contactd.faces.http.routes.outlooks import people_near

    outlook = snapshot.targets[target]
    near = people_near(ctx, outlook)
    return [
        {
            "sequence": forecast.sequence,
            "people_near": flat_spans(near.get(forecast.sequence, IntervalSet())),
            "steps": [step_detail(step) for step in forecast.steps],
        }
        for forecast in outlook.forecasts
    ]


@router.get("/profiles", summary="Elevation profiles of contacts, for drawing")
def profiles(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Name,
    start: From = None,
    end: To = None,
    known_at: KnownAt = None,
) -> Response:
    """Elevations (hundredths of a degree) at evenly spread instants of each contact of a target;
    at most 600 contacts at once, the earliest first."""
    outlook = ctx.outlook(target, known_at)
    snapshot = ctx.snapshot(known_at)

    def make() -> Any:
        from contactd.faces.http import motion

        chosen = [
            each
            for each in outlook.contacts
            if (start is None or each.los > start)
            and (end is None or each.aos < end)
            and each.station in snapshot.stations
        ]
        return {
            "target": target,
            "complete": len(chosen) <= MOST_PROFILES,
            "profiles": motion.profiles(
                ctx.view.track(target), dict(snapshot.stations), chosen[:MOST_PROFILES]
            ),
        }

    return ctx.payloads.answer(request, make, target, start, end, known_at)


@router.get("/light", summary="Night at the stations, shadow of the Earth at the targets")
def light(request: Request, ctx: Ctx, _: Reader) -> Response:
    """From, to, from, to … in milliseconds of POSIX time: when the Sun stands 6° or more below the
    horizon of each station, and when each target is in the Earth's umbra."""
    snapshot = ctx.snapshot()
    start, end = _span(snapshot)
    # Whole quarters of a day: the same figures serve while the span rolls on.
    start, end = start // (DAY_S / 4) * DAY_S / 4, (end // (DAY_S / 4) + 1) * DAY_S / 4

    def make() -> Any:
        return {
            "from": milliseconds(start),
            "to": milliseconds(end),
            "night": {
                name: _night(station, start, end) for name, station in snapshot.stations.items()
            },
            "shadow": {name: _shadow(ctx, name, start, end) for name in snapshot.targets},
        }

    return ctx.payloads.answer(request, make, start, end)


def _night(station: Station, start: float, end: float) -> list[int]:
    from contactd.core.orbit.sun import dark_intervals

    key = (station.latitude_deg, station.longitude_deg, start, end)
    found: list[int] = _LIGHTS.of(
        key, lambda: flat_spans(dark_intervals(station, IntervalSet([start], [end])))
    )
    return found


def _shadow(ctx: Context, name: str, start: float, end: float) -> list[int]:
    from contactd.core.errors import PropagationError
    from contactd.core.orbit.eclipse import umbra_intervals

    try:
        track = ctx.view.track(name)
        orbit = ctx.view.target(name).orbit
    except (KeyError, PropagationError):
        return []
    found: list[int] = _LIGHTS.of(
        (name, orbit, start, end),
        lambda: flat_spans(umbra_intervals(track, start, end)),
    )
    return found


@router.get("/sky", summary="A contact as the station's antenna follows it")
def sky(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Name,
    station: Name,
    at: Annotated[Instant, Query(description="A moment in the contact, or before it (UTC).")],
) -> Response:
    """Azimuth, elevation, range, range rate and Doppler through the contact that holds the moment,
    or failing that the next one; with the mask, Sun and Moon, where the mount cannot follow, the
    margin of each radio link, and the windows of each service."""
    outlook = ctx.outlook(target)
    snapshot = ctx.snapshot()
    check_names(snapshot, None, [station])
    contact = meeting(outlook.contacts, station, at, math.inf)
    if contact is None:
        raise Problem(
            404, "not-found", f"{target} has no contact with {station} then or later in the plan"
        )
    chosen = contact

    def make() -> Any:
        from contactd.core.ground.look import mask_elevation_deg
        from contactd.faces.http import motion

        place = snapshot.stations[station]
        around = list(range(0, 361, 2))
        track = ctx.view.track(target)
        span = (chosen.aos, chosen.los)
        return {
            "contact": outlook_contact_form(outlook, chosen, snapshot.stations.get(station)),
            "highest_elevation_deg": place.antenna.highest_elevation_deg,
            "keyhole": _keyhole(track, place, *span),
            "links": motion.link_margins(track, place, ctx.view.target(target).links, *span),
            "uncertain_s": outlook.elements.timing_error_s if outlook.elements else None,
            "mask": [
                [azimuth, round(float(low), 2)]
                for azimuth, low in zip(around, mask_elevation_deg(place, around), strict=True)
            ],
            "samples": motion.sky_samples(track, place, *span),
            "windows": {
                service: inner_forms(by[station].nominal.clip(chosen.aos, chosen.los))
                for service, by in outlook.services.items()
                if station in by
            },
        }

    return ctx.payloads.answer(request, make, target, station, chosen.aos)


def _keyhole(track: Track, station: Station, start: float, end: float) -> list[dict[str, Any]]:
    """When the mount cannot follow."""
    if station.antenna.limits_nothing:
        return []
    from contactd.core.ground.antenna import keyhole_intervals

    return outer_forms(
        keyhole_intervals(track, station, station.antenna, IntervalSet([start], [end]))
    )


@router.get("/ground", summary="The ground track")
def ground(
    request: Request, ctx: Ctx, _: Reader, target: Name, start: From = None, end: To = None
) -> Response:
    """The point below the target from some time to another; by default from 50 minutes ago until
    100 minutes from now. At most two days at once."""
    ctx.outlook(target)
    present = ctx.view.now() // 60.0 * 60.0
    first = present - 3000.0 if start is None else start
    last = first + 9000.0 if end is None else end
    if not first < last <= first + LONGEST_GROUND_S:
        raise Problem(422, "input", "to: expected a time after from, by at most two days")

    def make() -> Any:
        from contactd.faces.http import motion

        return {
            "target": target,
            **motion.ground_samples(ctx.view.track(target), first, last),
        }

    return ctx.payloads.answer(request, make, target, first, last)


def _span(snapshot: Snapshot) -> tuple[float, float]:
    spans = [outlook.span for outlook in snapshot.targets.values()]
    if not spans:
        return snapshot.at - DAY_S, snapshot.at + DAY_S
    return min(span[0] for span in spans), max(span[1] for span in spans)
