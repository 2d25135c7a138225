"""The hidden truth of a night: what really happens aboard and in the sky.

Nothing here uses the program's own reckoning of countdowns, contacts or coverage: countdowns are
run forward one event after another, and elevations come from the ``sgp4`` package and the mean
sidereal time of 1982 (Vallado, Crawford, Hujsak, Kelso: Revisiting Spacetrack Report #3, 2006).
Only the files that the program is given (:meth:`Truth.files`) are in its own terms.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from orbits import geostationary, invented
from sgp4.api import WGS72, Satrec, jday

from contactd.core import instants
from contactd.core.orbit.tle import format_tle

START = instants.from_text("2026-12-03T08:00:00Z")
TARGET, SEQUENCE = "Lantern 3", "wake-up"
BEFORE_S, AFTER_S, GRID_S = 4 * 3600.0, 26 * 3600.0, 10.0
LIGHT_KM_S = 299_792.458
Spans = list[tuple[float, float]]
Grid = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


@dataclass(frozen=True)
class Site:
    """A station as it is: degrees, seconds, and outages as instants (s)."""

    name: str
    latitude_deg: float
    longitude_deg: float
    services: tuple[str, ...]
    acquisition_s: float = 0.0
    guard_s: float = 0.0
    outages: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Stage:
    """A step as built, and what its countdown really lasts in seconds of the onboard clock.

    The delay's error is stated in seconds as they are, not as the onboard clock counts them.
    """

    name: str
    after: tuple[str, ...]
    delay_s: float
    error_s: float
    true_s: float
    join: str = "later"
    service: str = ""
    before_s: float = 0.0
    after_s: float = 0.0
    clear: tuple[float, float] | None = None
    lead_s: float | None = None
    takes_effect_s: float = 20.0
    dial: bool = False
    repeat_s: float = 0.0


@cache
def elements(orbit: int) -> tuple[str, str]:
    """The two lines of one of the orbits that all nights share; 0 hangs over one longitude."""
    if orbit == 0:
        found = geostationary(10.0, epoch=START - 3600.0)
    else:
        found = invented(
            mean_motion_rev_per_day=14.2 + 0.2 * orbit, inclination_deg=60.0 + 6.0 * orbit,
            raan_deg=70.0 * orbit, mean_anomaly_deg=40.0 * orbit, epoch=START - 3600.0,
        )  # fmt: skip
    first, second = format_tle(found)[-2:]
    return first, second


@cache
def _seen(orbit: int, latitude_deg: float, longitude_deg: float, late_s: float) -> Grid:
    """Instants (s), elevation (deg) and distance (km) on a grid.

    A late satellite is where the elements have it so much earlier; the Earth has turned meanwhile.
    """
    satellite = Satrec.twoline2rv(*elements(orbit), WGS72)
    at = np.arange(START - BEFORE_S, START + AFTER_S, GRID_S)
    day = jday(2026, 12, 3, 8, 0, 0.0)
    fraction = day[1] + (at - START) / 86_400.0
    late = np.full(len(at), late_s / 86_400.0)
    _, place_km, _ = satellite.sgp4_array(np.full(len(at), day[0]), fraction - late)
    centuries = (day[0] - 2_451_545.0 + fraction) / 36_525.0
    sidereal_s = 67_310.54841 + (876_600 * 3600 + 8_640_184.812866) * centuries
    sidereal_s += 0.093104 * centuries**2
    angle = np.radians(sidereal_s / 240.0)
    turned = np.stack(
        [
            np.cos(angle) * place_km[:, 0] + np.sin(angle) * place_km[:, 1],
            -np.sin(angle) * place_km[:, 0] + np.cos(angle) * place_km[:, 1],
            place_km[:, 2],
        ],
        axis=1,
    )
    latitude, longitude = math.radians(latitude_deg), math.radians(longitude_deg)
    flat = 1 / 298.257223563  # WGS 84
    square = flat * (2 - flat)
    across = 6378.137 / math.sqrt(1 - square * math.sin(latitude) ** 2)
    site = np.array(
        [
            across * math.cos(latitude) * math.cos(longitude),
            across * math.cos(latitude) * math.sin(longitude),
            across * (1 - square) * math.sin(latitude),
        ]
    )
    up = np.array(
        [
            math.cos(latitude) * math.cos(longitude),
            math.cos(latitude) * math.sin(longitude),
            math.sin(latitude),
        ]
    )
    away = turned - site
    distance_km = np.linalg.norm(away, axis=1)
    return at, np.degrees(np.arcsin(away @ up / distance_km)), distance_km


@cache
def passes(
    orbit: int, latitude_deg: float, longitude_deg: float, least_deg: float, late_s: float = 0.0
) -> Spans:
    """When a satellite so much late is above an elevation; a polynomial between points."""
    at, height, _ = _seen(orbit, latitude_deg, longitude_deg, late_s)
    above = height >= least_deg
    edges = np.flatnonzero(above[1:] != above[:-1])
    moments = []
    for edge in edges:
        low, high = max(edge - 2, 0), edge + 4
        times, heights = at[low:high] - at[edge], height[low:high] - least_deg
        roots = np.roots(np.polyfit(times, heights, len(times) - 1))
        real = [r.real for r in roots if abs(r.imag) < 1e-6 and -0.01 <= r.real <= GRID_S + 0.01]
        moments.append(float(at[edge]) + float(min(real, default=GRID_S / 2)))
    if above[0]:
        moments.insert(0, -math.inf)
    if above[-1]:
        moments.append(math.inf)
    return list(zip(moments[::2], moments[1::2], strict=True))


def without(spans: Spans, holes: Spans) -> Spans:
    """Spans with holes taken out."""
    for hole_from, hole_to in holes:
        parts: Spans = []
        for begins, ends in spans:
            parts += [(begins, min(ends, hole_from)), (max(begins, hole_to), ends)]
        spans = [part for part in parts if part[1] > part[0]]
    return spans


def joined(spans: Spans) -> Spans:
    """Their union."""
    made: Spans = []
    for begins, ends in sorted(spans):
        if made and begins <= made[-1][1]:
            made[-1] = (made[-1][0], max(made[-1][1], ends))
        else:
            made.append((begins, ends))
    return made


@dataclass
class Truth:
    """One night. Instants in seconds; ``started`` is None if nothing was ever started.

    Attributes:
        told_start: (earliest, latest) that the configuration states of the start.
        late_s: the satellite is so much later along its orbit than the elements say.
        timing_error_s: the stated bound of that.
        rate_ppm: of the oscillator; ``rate_bound_ppm`` is what is stated of it.
        resets: power losses; holds: (held, resumed or None).
        stops: from when a step and what follows it is stopped.
    """

    seed: int
    orbit: int = 0
    sites: tuple[Site, ...] = ()
    stages: tuple[Stage, ...] = ()
    status: str = "observed"
    told_start: tuple[float, float] = (0.0, 0.0)
    started: float | None = None
    late_s: float = 0.0
    timing_error_s: float = 0.0
    rate_ppm: float = 0.0
    rate_bound_ppm: float = 0.0
    resets: list[float] = field(default_factory=list)
    holds: list[tuple[float, float | None]] = field(default_factory=list)
    stops: dict[str, float] = field(default_factory=dict)
    missed: list[tuple[str, float, float]] = field(default_factory=list)

    @classmethod
    def of(cls, seed: int) -> Truth:
        """The night of a seed."""
        chance = random.Random(seed)

        def within(bound: float) -> float:
            """Within a bound, and often nearly at it, where rounding shows."""
            part = chance.choice([-0.99999, 0.99999, chance.uniform(-1, 1)])
            return bound * (corner or part)

        # In some nights everything is as early, or as late, as it may be.
        corner = chance.choice([0.0, 0.0, -0.999999, 0.999999])
        orbit = chance.randrange(6)
        truth = cls(seed, orbit)
        truth.sites = _sites(chance, orbit)
        truth.timing_error_s = chance.choice([0.0, 3.0, 12.0])
        truth.late_s = within(truth.timing_error_s)
        truth.rate_bound_ppm = chance.choice([50.0, 400.0])
        truth.rate_ppm = -within(truth.rate_bound_ppm)
        middle = START - chance.uniform(600, 1800)
        spread = chance.choice([2.3, 20.0, 60.7])
        truth.status = chance.choice(["observed", "observed", "observed", "in doubt"])
        if truth.status == "in doubt":
            spread = chance.uniform(60, 900)
        truth.told_start = (round(middle - spread, 3), round(middle + spread, 3))
        known_s = (truth.told_start[1] - truth.told_start[0]) / 2
        truth.started = sum(truth.told_start) / 2 + within(known_s - 0.0006)
        if truth.status == "in doubt" and chance.random() < 0.3:
            truth.started = None
        truth.stages = _stages(chance, within, 1.0 + 1e-6 * truth.rate_ppm)
        return truth

    # What happens aboard.

    def expiries(self, name: str) -> list[float]:
        """When a step really acts, in order; empty if it never does."""
        stage = next(each for each in self.stages if each.name == name)
        if self.started is None:
            return []
        if stage.after == ("start",):
            begun = self.started
        else:
            before = [self.expiries(each)[:1] for each in stage.after]
            known = [each[0] for each in before if each]
            if not known or (stage.join == "later" and len(known) < len(before)):
                return []
            begun = max(known) if stage.join == "later" else min(known)
        first = self._run(begun, stage.true_s)
        acts = [first]
        if stage.repeat_s and first is not None:
            acts.append(self._run(first, stage.repeat_s))
        stop = min((at for who, at in self.stops.items() if self._takes(who, name)), default=None)
        return [act for act in acts if act is not None and (stop is None or act < stop)]

    def _takes(self, stopped: str, name: str) -> bool:
        if stopped == name:
            return True
        stage = next(each for each in self.stages if each.name == name)
        return any(each != "start" and self._takes(stopped, each) for each in stage.after)

    def _run(self, begun: float, lasts_s: float) -> float | None:
        """Run one countdown forward through every power loss and hold."""
        fast = 1.0 + 1e-6 * self.rate_ppm
        happens: list[tuple[float, str]] = [(at, "reset") for at in self.resets]
        for held, resumed in self.holds:
            happens.append((held, "hold"))
            if resumed is not None:
                happens.append((resumed, "resume"))
        at, left, runs = begun, lasts_s, True
        for moment, what in sorted(happens):
            if moment < begun:
                runs = {"hold": False, "resume": True}.get(what, runs)
                continue
            if runs and at + left / fast <= moment:
                return at + left / fast
            if runs:
                left -= (moment - at) * fast
            at = moment
            if what == "reset":
                left = lasts_s
            else:
                runs = what == "resume"
        return at + left / fast if runs else None

    def remaining_s(self, name: str, at: float) -> float | None:
        """What a running first countdown shows at a moment; None before its begin or its end."""
        acts = self.expiries(name)
        if not acts or acts[0] <= at or any(held <= at for held, _ in self.holds):
            return None
        return (acts[0] - at) * (1.0 + 1e-6 * self.rate_ppm)

    # What happens in the sky and on the ground.

    def windows(self, site: Site, service: str, late_s: float | None = None) -> Spans:
        """When a station really has a service."""
        if service not in site.services:
            return []
        late_s = self.late_s if late_s is None else late_s
        found = passes(self.orbit, site.latitude_deg, site.longitude_deg, 5.0, late_s)
        spans = [(a + site.acquisition_s, b - site.guard_s) for a, b in found]
        lost = [(a, b) for name, a, b in self.missed if name == site.name]
        return without([each for each in spans if each[1] > each[0]], [*site.outages, *lost])

    def has(self, service: str, begins: float, ends: float, slack_s: float) -> bool:
        """Whether stations have a service all the time, one after the other."""
        spans = joined([each for site in self.sites for each in self.windows(site, service)])
        return any(a - slack_s <= begins and ends <= b + slack_s for a, b in spans)

    def light_s(self, site: Site, at: float) -> float:
        """One-way light time at a moment."""
        place = site.latitude_deg, site.longitude_deg
        times, _, distance_km = _seen(self.orbit, *place, self.late_s)
        return float(np.interp(at, times, distance_km)) / LIGHT_KM_S

    # What the program is told of it beforehand.

    def files(self) -> dict[str, dict[str, Any]]:
        """The configuration's files."""
        middle = sum(self.told_start) / 2
        start: dict[str, Any] = {"status": self.status}
        if self.status == "observed":
            start |= {"at": _text(middle), "give_or_take": f"{self.told_start[1] - middle:.4f}s"}
        else:
            start |= {"not_before": _text(self.told_start[0])}
            start |= {"not_after": _text(self.told_start[1])}
        first, second = elements(self.orbit)
        files: dict[str, dict[str, Any]] = {
            "contactd.yaml": {
                "horizon": {"ahead": "10h", "back": "2h"},
                "alerts": {"step_lead": ["30min", "1min"], "contact_lead": []},
            },
            "targets/lantern.yaml": {
                "name": TARGET,
                "elements": {
                    "tle": f"{first}\n{second}",
                    "timing_error": {"at_epoch": f"{self.timing_error_s}s"}
                    if self.timing_error_s
                    else "exact",
                },
                "sequences": [
                    {
                        "name": SEQUENCE,
                        "start": start,
                        "clock": {
                            "rate_error_ppm": self.rate_bound_ppm,
                            "resets_on_power_loss": True,
                        },
                        "steps": [_stage_section(each) for each in self.stages],
                    }
                ],
            },
        }
        for number, site in enumerate(self.sites):
            terms = {"acquisition": f"{site.acquisition_s}s", "guard": f"{site.guard_s}s"}
            files[f"stations/{number}.yaml"] = {
                "name": site.name,
                "latitude_deg": site.latitude_deg,
                "longitude_deg": site.longitude_deg,
                "least_elevation_deg": 5,
                "services": {service: dict(terms) for service in site.services},
                "outages": [{"from": _text(a), "to": _text(b)} for a, b in site.outages],
            }
        return files


def _text(at: float) -> str:
    return instants.to_text(at, 6)


def _sites(chance: random.Random, orbit: int) -> tuple[Site, ...]:
    places = [("Under Point", 1.0, 10.0), ("Cold Quay", 66.0, 21.0), ("Slate Bay", -35.0, -60.0)]
    if orbit == 0:
        places = [("Under Point", 1.0, 10.0), ("Low Moor", 40.0, 25.0)]
    made = []
    for number, (name, latitude, longitude) in enumerate(places):
        outages = []
        if chance.random() < 0.5:
            begins = START + round(chance.uniform(0, 10_000))
            outages = [(begins, begins + round(chance.uniform(900, 9000)))]
        services = ("telemetry", "command") if number < 2 else ("telemetry",)
        made.append(
            Site(
                name, latitude, longitude, services,
                chance.choice([0.0, 30.0]), chance.choice([0.0, 45.0]), tuple(outages),
            )
        )  # fmt: skip
    return tuple(made)


def _stages(chance: random.Random, within: Any, fast: float) -> tuple[Stage, ...]:
    made: list[Stage] = []
    for number in range(chance.randint(2, 4)):
        names = [each.name for each in made]
        after: tuple[str, ...] = ("start",)
        if names:
            after = tuple(sorted(chance.sample(names, min(len(names), chance.choice([1, 1, 2])))))
        long_s = (4000, 9000) if number == 0 else (600, 4000)
        delay_s = float(round(chance.uniform(*long_s) / 60) * 60)
        error_s = chance.choice([0.0, 2.5])
        hazard = chance.random() < 0.6
        made.append(
            Stage(
                f"step {number}", after, delay_s, error_s, delay_s + within(error_s) * fast,
                chance.choice(["later", "earlier"]),
                chance.choice(["telemetry", "telemetry", "command"]),
                chance.choice([0.0, 30.0]), chance.choice([0.0, 90.0]),
                (120.0, 600.0) if hazard else None,
                chance.choice([0.0, 60.0]) if chance.random() < 0.7 else None,
                dial=chance.random() < 0.4,
            )
        )  # fmt: skip
    return tuple(made)


def _stage_section(stage: Stage) -> dict[str, Any]:
    delay: dict[str, Any] = {"fixed": f"{stage.delay_s}s", "error": f"{stage.error_s}s"}
    if stage.dial:
        setting = {"from": "60s", "to": "5h", "resolution": "60s"}
        setting |= {"error": f"{stage.error_s}s", "chosen": f"{stage.delay_s}s"}
        delay = {"setting": setting}
    section: dict[str, Any] = {"name": stage.name, "delay": delay}
    section["after"] = stage.after[0] if len(stage.after) == 1 else list(stage.after)
    if len(stage.after) > 1:
        section["join"] = stage.join
    section["needs"] = {
        "service": stage.service,
        "before": f"{stage.before_s}s",
        "after": f"{stage.after_s}s",
    }
    if stage.clear is not None:
        before, after = stage.clear
        section |= {"hazard": "deployment"}
        section |= {"keep_clear": {"before": f"{before}s", "after": f"{after}s"}}
    if stage.lead_s is not None:
        section["stop"] = {
            "lead": f"{stage.lead_s}s",
            "takes_effect_in": f"{stage.takes_effect_s}s",
        }
    return section
