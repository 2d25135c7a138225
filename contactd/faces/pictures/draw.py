"""The pictures: contacts, a contact's sky, coverage in time, station time, margin against start."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from contactd.core.allocation.result import Grant
from contactd.core.contacts.contact import Contact
from contactd.core.ground.look import look, mask_elevation_deg
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.frames import teme_to_fixed
from contactd.core.orbit.track import Track
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import Covered
from contactd.faces.pictures.canvas import (
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    RED,
    bars,
    day,
    figure,
    rows,
    utc_axis,
)
from contactd.mission import timetext
from contactd.mission.timetext import NEAREST, NO_LATER, length

VERDICT = {Covered.COVERED: GREEN, Covered.AT_RISK: ORANGE, Covered.UNCOVERED: RED, None: GREY}
MINUTE_S = 60.0


def draw_contacts(path: Path, contacts: Sequence[Contact], start: float, end: float) -> None:
    """Contacts as bars by target and station, each with its greatest elevation in degrees."""
    names = sorted({(each.target, each.station) for each in contacts})
    with figure(path, "Contacts", height=max(2.0, 0.45 * len(names) + 1.2)) as drawn:
        axes = drawn.add_subplot()
        rows(axes, [f"{target}\n{station}" for target, station in names])
        for row, (target, station) in enumerate(names):
            mine = [each for each in contacts if (each.target, each.station) == (target, station)]
            bars(axes, row, IntervalSet.of((each.aos, each.los) for each in mine), color=BLUE)
            for each in mine:
                axes.text(day(each.aos), row - 0.38, f"{each.max_elevation_deg:.0f}°", fontsize=7)
        utc_axis(axes, start, end)


def draw_sky(path: Path, track: Track, station: Station, contact: Contact) -> None:
    """The track of a contact over a station's sky: zenith in the middle, north up, east right."""
    count = max(int((contact.los - contact.aos) / 5.0), 2)
    moments = np.linspace(contact.aos, contact.los, count)
    title = f"{contact.target} with {station.name}, {timetext.moment(contact.aos, NO_LATER)}"
    with figure(path, title, 6.5, 6.5) as drawn:
        axes = drawn.add_subplot(projection="polar")
        axes.set_theta_zero_location("N")
        axes.set_theta_direction(-1)
        axes.set_rlim(90, 0)
        axes.set_rticks([0, 30, 60], labels=["0°", "30°", "60°"])
        round_deg = np.arange(0.0, 360.5, 1.0)
        horizon = mask_elevation_deg(station, round_deg)
        axes.fill_between(np.radians(round_deg), 0, horizon, color="#cccccc", hatch="//", alpha=0.6)
        seen = look(station, *teme_to_fixed(moments, *track.states(moments)))
        axes.plot(np.radians(seen.azimuth_deg), seen.elevation_deg, color=BLUE, linewidth=2)
        first = math.ceil(contact.aos / MINUTE_S) * MINUTE_S
        for moment in np.arange(first, contact.los, MINUTE_S):
            index = int(np.argmin(np.abs(moments - moment)))
            place = (math.radians(seen.azimuth_deg[index]), seen.elevation_deg[index])
            axes.plot(*place, marker="o", markersize=3, color="black")
        for name, index in (("AOS", 0), ("LOS", count - 1)):
            place = (math.radians(seen.azimuth_deg[index]), seen.elevation_deg[index])
            at = timetext.moment(moments[index], NEAREST).partition(" ")[2]
            axes.annotate(f"{name} {at}", place, fontsize=8)


def draw_coverage(path: Path, outlook: TargetOutlook, start: float, end: float) -> None:
    """Each service of each station in time, and beneath it each step from earliest to latest."""
    lanes = [
        (f"{station}\n{service}", coverage)
        for service, stations in sorted(outlook.services.items())
        for station, coverage in sorted(stations.items())
    ]
    steps = [
        step
        for forecast in outlook.forecasts
        for step in forecast.steps
        if step.earliest is not None and step.latest is not None
    ]
    names = [name for name, _ in lanes] + [step.step for step in steps]
    height = max(2.5, 0.42 * len(names) + 1.2)
    with figure(path, f"Coverage of {outlook.target}", height=height) as drawn:
        axes = drawn.add_subplot()
        rows(axes, names)
        for row, (_, coverage) in enumerate(lanes):
            bars(axes, row, coverage.possible, color=BLUE, alpha=0.35)
            bars(axes, row, coverage.certain, color=BLUE)
        for row, step in enumerate(steps, start=len(lanes)):
            assert step.earliest is not None
            assert step.latest is not None
            if step.keep_clear is not None:
                clear = IntervalSet([step.keep_clear[0]], [step.keep_clear[1]])
                bars(axes, row, clear, facecolor="none", edgecolor=RED, hatch="///")
            least_s = (end - start) / 400
            middle = (step.earliest + step.latest) / 2
            half_s = max((step.latest - step.earliest) / 2, least_s)
            expiry = IntervalSet([middle - half_s], [middle + half_s])
            bars(axes, row, expiry, color=VERDICT[step.coverage])
            verdict = str(step.coverage) if step.coverage is not None else ""
            axes.text(day(middle + half_s), row, f"  {verdict}", va="center", fontsize=8)
        utc_axis(axes, start, end)


def draw_allocation(path: Path, grants: Sequence[Grant], start: float, end: float) -> None:
    """Who has which station when: a row for each station, a bar with its target's name a grant."""
    stations = sorted({each.station for each in grants})
    targets = sorted({each.target for each in grants})
    colours = (BLUE, ORANGE, GREEN, RED, GREY)
    with figure(path, "Station time", height=max(2.0, 0.6 * len(stations) + 1.2)) as drawn:
        axes = drawn.add_subplot()
        rows(axes, stations)
        for grant in grants:
            row, number = stations.index(grant.station), targets.index(grant.target)
            spans = IntervalSet([grant.start], [grant.end])
            edge = "black" if grant.urgent else "none"
            bars(axes, row, spans, facecolor=colours[number % len(colours)], edgecolor=edge)
            if grant.duration_s > (end - start) / 40:
                axes.text(day(grant.start), row, f" {grant.target}", va="center", fontsize=7)
        for number, target in enumerate(targets[: len(colours)]):
            axes.plot([], [], color=colours[number], linewidth=6, label=target)
        if targets and len(targets) <= len(colours):
            axes.legend(fontsize=7, loc="upper right", ncols=len(targets))
        utc_axis(axes, start, end)


def draw_margin(path: Path, title: str, starts: IntervalSet, start: float, end: float) -> None:
    """Margin against start time: how far a start may slip either way with every step covered.

    Args:
        starts: start times (instants, s) that keep every step covered.
    """
    with figure(path, title, height=3.5) as drawn:
        axes = drawn.add_subplot()
        best: tuple[float, float] | None = None
        for first, last in starts.clip(start, end):
            half = (last - first) / 2
            corners = [first, first + half, last]
            axes.fill([day(each) for each in corners], [0, half / 60, 0], color=BLUE, alpha=0.6)
            if best is None or half > best[1]:
                best = (first + half, half)
        if best is not None:
            text = f"best: {timetext.moment(best[0], NEAREST)}, margin {length(best[1], NO_LATER)}"
            axes.annotate(text, (day(best[0]), best[1] / 60), fontsize=8, va="bottom", ha="center")
            axes.plot(day(best[0]), best[1] / 60, marker="v", color="black")
            axes.set_ylim(0, best[1] / 60 * 1.2)
        else:
            axes.text(0.5, 0.5, "no start keeps every step covered", transform=axes.transAxes)
        axes.set_ylabel("margin, min")
        utc_axis(axes, start, end)
