"""How near the contacts of workload M are to the truth.

The truth of a rise or set is the root of skyfield's own topocentric elevation, found from ours by
Newton's method on skyfield's values alone. What is missed or invented is told by a scan of every
pair, second by second, with the sgp4 package. astropy, which also knows polar motion and its own
UT1, is asked for a sample.
"""

from __future__ import annotations

import math
import sys
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rivals import satrec_of
from workloads import Workload, medium

from contactd.core.contacts.fleet import predict_fleet
from contactd.core.contacts.horizon import horizon_of
from contactd.core.contacts.prediction import predict
from contactd.core.contacts.table import ContactTable
from contactd.core.ground.station import Station
from contactd.core.instants import utc_julian
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.frames import teme_to_fixed
from contactd.core.orbit.sgp4_track import Sgp4Track

SLOW_DEG_S = 0.005


def skyfield_elevation(elements: ElementSet, station: Station):
    """skyfield's elevation (deg) as a function of instants."""
    from skyfield.api import EarthSatellite, load, wgs84

    scale = load.timescale(builtin=True)
    satellite = EarthSatellite.from_satrec(satrec_of(elements), scale)
    sight = satellite - wgs84.latlon(
        station.latitude_deg, station.longitude_deg, station.altitude_m
    )

    def elevation(instants: np.ndarray) -> np.ndarray:
        days = np.floor(instants / 86_400.0)
        at = scale.tai_jd(2_451_545.0 + days, instants / 86_400.0 - days)
        return np.asarray(sight.at(at).altaz()[0].degrees)

    return elevation


def root_near(elevation, instants: np.ndarray, least_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Roots of skyfield's elevation near instants, and its rate there (deg/s)."""
    at = instants.copy()
    for _ in range(6):
        rate = (elevation(at + 0.25) - elevation(at - 0.25)) / 0.5
        step = (elevation(at) - least_deg) / rate
        at = at - np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-6:
            break
    return at, rate


@dataclass(frozen=True)
class Errors:
    """Differences from the truth, one a rise or set (or summit)."""

    edge_s: np.ndarray
    rate_deg_s: np.ndarray
    edge_kind: np.ndarray
    tca_s: np.ndarray
    elevation_deg: np.ndarray
    tca_kind: np.ndarray


def against_skyfield(work: Workload, table: ContactTable, contacts: int) -> Errors:
    """Errors of a number of contacts, picked at random but with every rare kind well seen."""
    random = np.random.default_rng(11)
    kinds = np.array(work.kinds)[table.target]
    weight = np.where(kinds == "low", 1.0, 6.0)
    rows = random.choice(len(table), contacts, replace=False, p=weight / weight.sum())
    edge_s, rates, edge_kind, tca_s, high, tca_kind = [], [], [], [], [], []
    keys = table.target[rows].astype(np.int64) * len(work.stations) + table.station[rows]
    for key in np.unique(keys):
        mine = rows[keys == key]
        satellite, place = divmod(int(key), len(work.stations))
        station = work.stations[place]
        elevation = skyfield_elevation(work.elements[satellite], station)
        edges = np.concatenate(
            [
                table.aos[mine][~table.cut_at_start[mine]],
                table.los[mine][~table.cut_at_end[mine]],
            ]
        )
        kind = work.kinds[satellite]
        if len(edges):
            truth, rate = root_near(elevation, edges, station.least_elevation_deg)
            edge_s.append(edges - truth)
            rates.append(rate)
            edge_kind += [kind] * len(edges)
        inner = mine[(table.tca[mine] > table.aos[mine]) & (table.tca[mine] < table.los[mine])]
        if len(inner):
            at = table.tca[inner]
            half = 120.0 if kind == "geostationary" else 2.0
            low, here, up = (elevation(at + shift) for shift in (-half, 0.0, half))
            bend = low - 2.0 * here + up
            tca_s.append(-0.5 * half * (low - up) / bend)
            high.append(table.max_elevation_deg[inner] - here)
            tca_kind += [kind] * len(inner)
    return Errors(
        np.concatenate(edge_s), np.concatenate(rates), np.array(edge_kind),
        np.concatenate(tca_s), np.concatenate(high), np.array(tca_kind),
    )  # fmt: skip


def _row(name: str, values: np.ndarray, unit: float, allowed: str) -> str:
    size = np.abs(values) / unit
    return (
        f"| {name} | {len(size)} | {np.median(size):.2g} | {np.percentile(size, 99):.2g} "
        f"| {size.max():.2g} | {allowed} |"
    )


def skyfield_table(errors: Errors) -> str:
    """The errors as a table."""
    lines = ["| | number | median | p99 | worst | allowed |", "|---|---|---|---|---|---|"]
    slow = np.abs(errors.rate_deg_s) < SLOW_DEG_S
    lines.append(_row("rise or set, ms", errors.edge_s[~slow], 1e-3, "10"))
    lines.append(_row("… slower than 0.005°/s, ms", errors.edge_s[slow], 1e-3, "20"))
    for kind in dict.fromkeys(errors.edge_kind.tolist()):
        lines.append(_row(f"… {kind}, ms", errors.edge_s[errors.edge_kind == kind], 1e-3, ""))
    for kind in dict.fromkeys(errors.tca_kind.tolist()):
        lines.append(_row(f"TCA, {kind}, s", errors.tca_s[errors.tca_kind == kind], 1.0, "0.1"))
    lines.append(_row("highest elevation, 0.001°", errors.elevation_deg, 1e-3, "1"))
    return "\n".join(lines)


def scan(work: Workload, table: ContactTable, step_s: float = 1.0) -> str:
    """Missed and invented contacts: a scan of every pair with the sgp4 package's states."""
    instants = np.arange(work.start, work.end, step_s)
    horizons = [horizon_of(station) for station in work.stations]
    missed = invented = samples = doubtful = 0
    for satellite, elements in enumerate(work.elements):
        position, velocity = Sgp4Track(elements).states(instants)
        fixed, _ = teme_to_fixed(instants, position, velocity)
        mine = table.target == satellite
        for place, horizon in enumerate(horizons):
            away = (fixed - horizon.foot_km) @ horizon.axes.T
            level = np.hypot(away[:, 0], away[:, 1])
            sine = math.sin(math.radians(horizon.flat_deg))
            cosine = math.cos(math.radians(horizon.flat_deg))
            over_km = away[:, 2] * cosine - level * sine
            rows = mine & (table.station == place)
            aos, los = table.aos[rows], table.los[rows]
            above = over_km >= 0.0
            number = np.searchsorted(aos, instants, side="right") - 1
            inside = (number >= 0) & (instants < los[number]) if len(aos) else np.zeros_like(above)
            wrong = np.flatnonzero(above != inside)
            samples += len(instants)
            for index in wrong.tolist():
                # A sample within 10 ms of a rise or set is neither.
                edges = np.concatenate([aos, los])
                near = len(edges) and np.abs(edges - instants[index]).min() < 0.010
                if near:
                    doubtful += 1
                elif above[index]:
                    missed += 1
                else:
                    invented += 1
    return (
        f"A scan of all {work.pairs} pairs every {step_s:g} s ({samples:.3g} samples) found "
        f"{missed} samples in view outside all {len(table)} contacts (missed), and {invented} "
        f"samples out of view inside one (invented); {doubtful} lay within 10 ms of a rise or set."
    )


def against_plain(work: Workload, table: ContactTable) -> str:
    """The compiled path against the plain one on the whole workload."""
    plain = predict(
        [Sgp4Track(each) for each in work.elements], work.stations, work.start, work.end
    )
    orders = [np.lexsort((each.aos, each.station, each.target)) for each in (table, plain)]
    if len(table) != len(plain):
        return f"compiled {len(table)} contacts, plain {len(plain)}: NOT THE SAME"
    apart = {
        name: float(np.abs(getattr(table, name)[orders[0]] - getattr(plain, name)[orders[1]]).max())
        for name in ("aos", "los", "tca", "max_elevation_deg")
    }
    return (
        f"Compiled and plain path: {len(table)} contacts each; AOS differ by at most "
        f"{apart['aos'] * 1e6:.1f} µs, LOS by {apart['los'] * 1e6:.1f} µs, TCA by "
        f"{apart['tca'] * 1e3:.1f} ms, highest elevations by {apart['max_elevation_deg']:.1e}°."
    )


def against_astropy(work: Workload, table: ContactTable, contacts: int) -> str:
    """Elevation by astropy's TEME → ITRS → AltAz at a sample of our rises and sets."""
    from astropy import units
    from astropy.coordinates import ITRS, TEME, AltAz, CartesianRepresentation, EarthLocation
    from astropy.time import Time
    from astropy.utils import iers

    iers.conf.auto_download = False
    iers.conf.iers_degraded_accuracy = "warn"
    random = np.random.default_rng(13)
    rows = random.choice(len(table), contacts, replace=False)
    worst_deg, seconds = [], []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for row in rows.tolist():
            at = np.array(
                ([] if table.cut_at_start[row] else [table.aos[row]])
                + ([] if table.cut_at_end[row] else [table.los[row]])
            )
            if not len(at):
                continue
            elements = work.elements[table.target[row]]
            station = work.stations[table.station[row]]
            position, _ = Sgp4Track(elements).states(at)
            whole, part = utc_julian(at)
            when = Time(whole, part, format="jd", scale="utc")
            place = EarthLocation.from_geodetic(
                station.longitude_deg * units.deg,
                station.latitude_deg * units.deg,
                station.altitude_m * units.m,
            )
            teme = TEME(CartesianRepresentation(position.T * units.km), obstime=when)
            fixed = teme.transform_to(ITRS(obstime=when)).cartesian.xyz
            home = place.get_itrs(when).cartesian.xyz
            seen = ITRS(
                CartesianRepresentation(fixed - home), obstime=when, location=place
            ).transform_to(AltAz(obstime=when, location=place))
            off = seen.alt.deg - station.least_elevation_deg
            elevation = skyfield_elevation(elements, station)
            rate = (elevation(at + 0.25) - elevation(at - 0.25)) / 0.5
            worst_deg += np.abs(off).tolist()
            seconds += np.abs(off / rate).tolist()
    degrees, late = np.array(worst_deg), np.array(seconds)
    return (
        f"astropy at {len(degrees)} rises and sets: elevation differs by {np.median(degrees):.1e}° "
        f"(median), {degrees.max():.1e}° (worst), which is {np.median(late) * 1e3:.2g} ms and "
        f"{late.max() * 1e3:.3g} ms in time: polar motion, which is left out here as in skyfield, "
        f"and another UT1 table."
    )


def published() -> str:
    """States against those that are published with SGP4 (AIAA 2006-6753, tcppver.out)."""
    sys.path.append(str(Path(__file__).resolve().parent.parent / "reference"))
    from test_sgp4_verification import SETS, STATES, elements_of

    apart_km, apart_km_s, sets = [], [], 0
    for number in sorted(SETS):
        elements, rows = elements_of(number), STATES[number]
        position, velocity = Sgp4Track(elements).states(elements.epoch + rows[:, 0] * 60.0)
        good = np.isfinite(position[:, 0])
        sets += bool(good.any())
        apart_km += np.linalg.norm(position - rows[:, 1:4], axis=1)[good].tolist()
        apart_km_s += np.linalg.norm(velocity - rows[:, 4:7], axis=1)[good].tolist()
    at_km, at_km_s = np.array(apart_km), np.array(apart_km_s)
    return (
        f"{len(at_km)} published states of {sets} sets (one more is meant to fail, and does): "
        f"positions differ by {np.median(at_km) * 1e6:.1f} mm (median), "
        f"{np.percentile(at_km, 99) * 1e6:.1f} mm (p99), {at_km.max() * 1e6:.1f} mm (worst), "
        f"velocities by {at_km_s.max() * 1e6:.3f} mm/s (worst). Epochs are read to the "
        "microsecond, in which a low satellite goes 8 mm."
    )


def report(contacts: int = 2_000, astropy_contacts: int = 150) -> str:
    """All of it."""
    work = medium()
    tracks = [Sgp4Track(elements) for elements in work.elements]
    table = predict_fleet(tracks, work.stations, work.start, work.end, compiled=True)
    errors = against_skyfield(work, table, contacts)
    return "\n\n".join(
        [
            f"{contacts} random contacts of workload M against the roots of skyfield's elevation "
            f"(rare kinds six times as likely to be picked):",
            skyfield_table(errors),
            scan(work, table),
            against_plain(work, table),
            against_astropy(work, table, astropy_contacts),
        ]
    )


if __name__ == "__main__":
    print(report())
