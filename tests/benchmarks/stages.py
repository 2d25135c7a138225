"""Where the compiled path's time goes on workload M, stage by stage on one thread."""

from __future__ import annotations

import time
from collections.abc import Callable

import numba
import numpy as np
from workloads import medium

from contactd.core.contacts.compiled import (
    engine,
    finish,
    fleet_kernel,
    near_earth,
    peaks,
    scan,
)
from contactd.core.contacts.compiled.kernel import LANES
from contactd.core.contacts.fleet import predict_fleet
from contactd.core.contacts.horizon import horizon_of
from contactd.core.orbit.sgp4_track import Sgp4Track

LOOKS, NODES, CLEARANCE, SCAN, PEAKS, FINISH = range(6)


@numba.njit(nogil=True)
def staged(until, satellites, near, deep, span, stations, mask, knots, first_knot, rate, room):
    """The kernels' work on every satellite up to and including a stage."""
    w = np.zeros(200 * near_earth.BLOCK)
    block = np.zeros(near_earth.BLOCK)
    c, held = np.empty(18), np.full(1, -1, dtype=np.int64)
    found, seconds, drift = np.empty((room, 8)), np.empty(64), np.empty(12_000)
    flags, paces = np.empty(200 * LANES, dtype=np.uint8), np.empty((12_000, 2))
    station_of = np.empty(room, dtype=np.int32)
    out = np.empty((8, room))
    work = (
        np.empty(5 * room),
        np.empty(5 * room, dtype=np.int32),
        np.empty(5 * room, dtype=np.int32),
        np.empty(16),
        np.empty(64),
        np.empty((4, room)),
    )
    total = 0
    for number in range(len(satellites)):
        satellite = satellites[number]
        is_deep = satellite[fleet_kernel.DEEP] != 0.0
        offset = satellite[fleet_kernel.OFFSET_MINUTES]
        step, nodes = satellite[fleet_kernel.STEP], int(satellite[fleet_kernel.NODES])
        steps, first = np.zeros((1, 5)), 0
        k = near[number]
        if is_deep:
            k = deep[int(satellite[fleet_kernel.ROW])]
            first = min(0, int(offset / 720.0) - 1)
            last = max(0, int((offset + span / 60.0) / 720.0) + 1)
            steps = np.zeros((last - first + 1, 5))
            if k[18] != 0.0:
                fleet_kernel.resonance_steps(k, first, last, steps)
        sky = (is_deep, k, steps, first, offset, knots, first_knot, rate, block)
        fleet_kernel.holds_out(sky, satellite, span, seconds)
        if until < NODES:
            continue
        fleet_kernel.fill_nodes(sky, w, nodes, step, span)
        if is_deep:
            fleet_kernel.smooth_velocities(w, nodes, step, rate, drift)
        if until < CLEARANCE:
            continue
        least, greatest = fleet_kernel.radii(w, nodes)
        if until >= SCAN:
            scan.note_paces(w, nodes, step, paces)
        held[0] = -1
        count = np.int64(0)
        for place in range(len(stations)):
            s = stations[place]
            if until == CLEARANCE:
                scan.clear_blocks(w, (nodes + LANES - 1) // LANES, s)
                continue
            simple = (not is_deep) and scan.bends_down_only(
                s, least, greatest, step, satellite[fleet_kernel.FASTEST]
            )
            fresh = scan.scan_station(
                w, nodes, step, span, simple, s, rate, c, held, found[count:], sky, flags, paces
            )
            begin, count = count, count + fresh
            for contact in range(begin, count):
                station_of[contact] = place
                if until < PEAKS:
                    continue
                aos, los = found[contact, scan.AOS], found[contact, scan.LOS]
                if simple:
                    cuts = found[contact, scan.CUTS]
                    at = peaks.single_peak(w, nodes, step, s, c, held, aos, los, cuts)
                else:
                    at = peaks.highest_peak(w, nodes, step, s, rate, c, held, aos, los, paces)
                found[contact, scan.TCA] = at
        if until >= FINISH:
            finish.finish(
                sky, stations, mask, found, station_of, count, w, step, nodes, out, 0, work
            )
        total += count
    return total


def best_s(function: Callable[[], object], rounds: int = 15) -> float:
    """Least processor time of a function."""
    function()
    times = []
    for _ in range(rounds):
        used = time.process_time()
        function()
        times.append(time.process_time() - used)
    return min(times)


def report() -> str:
    """The stages as a table."""
    work = medium()
    tracks = [Sgp4Track(elements) for elements in work.elements]
    horizons = [horizon_of(station) for station in work.stations]
    satellites, near, deep = engine._satellites(tracks, work.start, work.end)
    stations, mask = engine._stations(horizons)
    knots, first_knot, rate = engine._earth_angle(work.start, work.end)
    # The kernel's table of near-Earth coefficients is read by row; deep rows are elsewhere.
    times = [
        best_s(
            lambda stage=stage: staged(
                stage, satellites, near, deep, work.end - work.start, stations, mask, knots,
                first_knot, rate, 8192,
            )
        )
        for stage in range(6)
    ]  # fmt: skip
    kernels = best_s(lambda: engine.find(tracks, horizons, work.start, work.end))
    whole = best_s(
        lambda: predict_fleet(tracks, work.stations, work.start, work.end, compiled=True)
    )
    steps = [
        ("does SGP4 hold out (a look a day)", times[LOOKS]),
        ("states at the nodes (SGP4, SDP4)", times[NODES] - times[LOOKS]),
        ("clearances at every node of every station", times[CLEARANCE] - times[NODES]),
        ("scan: crossings and turning points", times[SCAN] - times[CLEARANCE]),
        ("summits on the polynomials", times[PEAKS] - times[SCAN]),
        ("exact rises, sets, summits, and their angles", times[FINISH] - times[PEAKS]),
        ("coefficients, tables, copies", kernels - times[FINISH]),
        ("sorting and joining into one table", whole - kernels),
    ]
    lines = ["| stage | processor | share |", "|---|---|---|"]
    for name, took in steps:
        lines.append(f"| {name} | {max(took, 0.0) * 1e3:.1f} ms | {max(took, 0.0) / whole:.0%} |")
    lines.append(f"| whole | {whole * 1e3:.1f} ms | |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(report())
