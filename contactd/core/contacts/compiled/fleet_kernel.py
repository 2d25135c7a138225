"""The compiled prediction of several satellites over several stations: its one entry."""

from __future__ import annotations

import math

import numpy as np

from contactd.core.contacts.compiled.deep_space import resonance_steps
from contactd.core.contacts.compiled.finish import finish
from contactd.core.contacts.compiled.kernel import LANES, entry, kernel
from contactd.core.contacts.compiled.mask import mask_edges
from contactd.core.contacts.compiled.near_earth import (
    BAD,
    BLOCK,
    VX,
    VY,
    X,
    Y,
    Z,
    initialise,
)
from contactd.core.contacts.compiled.peaks import highest_peak, single_peak
from contactd.core.contacts.compiled.scan import (
    AOS,
    AOS_HIGH,
    AOS_LOW,
    CUTS,
    FOUND_COLUMNS,
    LOS,
    LOS_HIGH,
    LOS_LOW,
    TCA,
    bends_down_only,
    note_paces,
    scan_station,
)
from contactd.core.contacts.compiled.segment import MASKED, SEGMENT, acceleration, place_of
from contactd.core.contacts.compiled.states import propagate, set_instant, set_instants

TURN = 2.0 * math.pi
DAY_S = 86_400.0
MOST_LOOKS = 2_000

# Columns of the satellites' table.
DEEP, ROW, OFFSET_MINUTES, STEP, NODES, FASTEST, ANOMALY, MEAN_RATE = range(8)
SATELLITE_COLUMNS = 8

# What became of a satellite.
DONE, FOR_THE_PLAIN_PATH, NO_ROOM = range(3)


@kernel
def fill_nodes(sky, w, nodes, step, span):
    """States at every node; False if the propagator fails at one."""
    offset, knots, first_knot = sky[4], sky[5], sky[6]
    blocks = (nodes + LANES - 1) // LANES
    failures = 0.0
    for number in range(blocks):
        at = number * BLOCK
        for lane in range(LANES):
            node = min(number * LANES + lane, nodes - 1)
            seconds = span if node == nodes - 1 else node * step
            set_instant(w, at, lane, seconds, offset, knots, first_knot)
        propagate(sky, w, at)
        for lane in range(LANES):
            failures += w[at + BAD * LANES + lane]
    return failures == 0.0


@kernel
def holds_out(sky, satellite, span, seconds):
    """Whether the propagator holds out from the epoch through the span, looked at once a day."""
    offset, rate, phase = satellite[OFFSET_MINUTES], satellite[MEAN_RATE], satellite[ANOMALY]
    block = sky[8]
    epoch = -60.0 * offset  # seconds since the span's start
    for way in range(2):
        bound = span if way == 0 else 0.0
        reach = bound - epoch
        if (reach <= 0.0) == (way == 0):
            continue
        count = min(int(abs(reach) / DAY_S), MOST_LOOKS)
        asked = 0
        for number in range(count + 2):
            if number == 0:
                at = epoch
            elif number == count + 1:
                at = bound
            else:
                wished = number * (reach / DAY_S / (count + 1)) * DAY_S
                at = epoch + (np.rint((wished * rate + phase) / TURN) * TURN - phase) / rate
                if not min(epoch, bound) < at < max(epoch, bound):
                    continue
            seconds[asked] = at
            asked += 1
            if asked == LANES or number == count + 1:
                set_instants(sky, seconds, asked)
                for lane in range(asked):
                    if block[BAD * LANES + lane] != 0.0:
                        return False
                asked = 0
    return True


@kernel
def smooth_velocities(w, nodes, step, rate, drift):
    """Adds to SDP4's velocities what they lack to be the slope of its positions.

    Where velocity and acceleration at both ends of a segment promise another way than was gone,
    the difference over the time is what the velocity lacks there.
    """
    for axis in range(3):
        for node in range(nodes - 1):
            a, b = place_of(node), place_of(node + 1)
            ax, ay, az = acceleration(
                w[a + X * LANES], w[a + Y * LANES], w[a + Z * LANES],
                w[a + VX * LANES], w[a + VY * LANES], rate,
            )  # fmt: skip
            bx, by, bz = acceleration(
                w[b + X * LANES], w[b + Y * LANES], w[b + Z * LANES],
                w[b + VX * LANES], w[b + VY * LANES], rate,
            )  # fmt: skip
            push = (ax - bx) if axis == 0 else ((ay - by) if axis == 1 else (az - bz))
            gone = w[b + (X + axis) * LANES] - w[a + (X + axis) * LANES]
            mean = 0.5 * (w[a + (VX + axis) * LANES] + w[b + (VX + axis) * LANES])
            drift[node] = gone / step - mean - step * push / 12.0
        for node in range(nodes):
            left = drift[max(node - 1, 0)]
            right = drift[min(node, nodes - 2)]
            w[place_of(node) + (VX + axis) * LANES] += 0.5 * (left + right)


@kernel
def radii(w, nodes):
    """Least and greatest distance from the Earth's centre (km) at the nodes."""
    least, greatest = 1e12, 0.0
    for node in range(nodes):
        a = place_of(node)
        x, y, z = w[a + X * LANES], w[a + Y * LANES], w[a + Z * LANES]
        square = x * x + y * y + z * z
        least, greatest = min(least, square), max(greatest, square)
    return math.sqrt(least), math.sqrt(greatest)


@kernel
def part_by_mask(w, nodes, step, rate, c, held, s, mask, found, begin, count, spare, edges):
    """Replaces contacts ``begin`` … with those over the mask; returns how many there are then."""
    number = count - begin
    spare[:number] = found[begin:count]
    count = begin
    for old in range(number):
        aos, los, cuts = spare[old, AOS], spare[old, LOS], int(spare[old, CUTS])
        found_edges, inside = mask_edges(
            w, nodes, step, rate, c, held, s, mask, aos, los, cuts, edges
        )
        if found_edges >= len(edges) - 8 or count + found_edges + 2 >= len(found):
            return -1
        if inside:
            found[count] = spare[old]
        for edge in range(found_edges):
            at, low, high = edges[edge, 0], edges[edge, 1], edges[edge, 2]
            if not inside:
                found[count, AOS], found[count, AOS_LOW], found[count, AOS_HIGH] = at, low, high
                found[count, CUTS] = 0.0
            else:
                found[count, LOS], found[count, LOS_LOW], found[count, LOS_HIGH] = at, low, high
                found[count, CUTS] = float(int(found[count, CUTS]) & 1)
                count += 1
            inside = not inside
        if inside:
            found[count, LOS] = los
            found[count, CUTS] = float((int(found[count, CUTS]) & 1) | 2)
            count += 1
    return count


@kernel
def one_satellite(
    sky, satellite, span, stations, mask, w, found, spare, station_of, work, small, out, row
):
    """Contacts of one satellite into ``out`` from ``row`` on: (what became of it, how many)."""
    step, nodes = satellite[STEP], int(satellite[NODES])
    rate = sky[7]
    c, held, edges, drift, seconds, flags, paces = small
    if not holds_out(sky, satellite, span, seconds):
        return FOR_THE_PLAIN_PATH, 0
    if not fill_nodes(sky, w, nodes, step, span):
        return FOR_THE_PLAIN_PATH, 0
    if sky[0]:
        smooth_velocities(w, nodes, step, rate, drift)
    least, greatest = radii(w, nodes)
    paced = False
    held[0] = -1
    count = np.int64(0)
    for number in range(len(stations)):
        s = stations[number]
        simple = (not sky[0]) and bends_down_only(s, least, greatest, step, satellite[FASTEST])
        unimodal = simple and s[MASKED] < 0.0
        if not unimodal and not paced:
            note_paces(w, nodes, step, paces)
            paced = True
        fresh = scan_station(
            w, nodes, step, span, simple, s, rate, c, held, found[count:], sky, flags, paces
        )
        if fresh < 0:
            return FOR_THE_PLAIN_PATH, 0
        begin, count = count, count + fresh
        if s[MASKED] >= 0.0:
            count = part_by_mask(
                w, nodes, step, rate, c, held, s, mask, found, begin, count, spare, edges
            )
            if count < 0:
                return FOR_THE_PLAIN_PATH, 0
        for contact in range(begin, count):
            station_of[contact] = number
            aos, los = found[contact, AOS], found[contact, LOS]
            if unimodal:
                cuts = found[contact, CUTS]
                peak = single_peak(w, nodes, step, s, c, held, aos, los, cuts)
            else:
                peak = highest_peak(w, nodes, step, s, rate, c, held, aos, los, paces)
            found[contact, TCA] = peak
    if row + count > out.shape[1]:
        return NO_ROOM, count
    finish(sky, stations, mask, found, station_of, count, w, step, nodes, out, row, work)
    return DONE, count


def _make(sources: int):
    def predict_satellites(
        satellites, begin, near, deep, span, stations, mask, knots, first_knot, earth_rate, room,
        out, out_satellite, out_station, out_cuts, row, status,
    ):  # fmt: skip
        """Contacts of ``satellites[begin:]`` until done or until ``out`` is full.

        Returns:
            The number of the next satellite, and of the next free row.
        """
        assert sources >= 0
        longest = 0
        for number in range(begin, len(satellites)):
            longest = max(longest, int(satellites[number, NODES]))
        w = np.zeros(((longest + LANES - 1) // LANES + 1) * BLOCK)
        found = np.empty((room, FOUND_COLUMNS))
        spare = np.empty((room, FOUND_COLUMNS))
        station_of = np.empty(room, dtype=np.int32)
        work = (
            np.empty(5 * room),
            np.empty(5 * room, dtype=np.int32),
            np.empty(5 * room, dtype=np.int32),
            np.empty(16),
            np.empty(LANES),
            np.empty((4, room)),
        )
        small = (
            np.empty(SEGMENT),
            np.full(1, -1, dtype=np.int64),
            np.empty((4096, 3)),
            np.empty(longest + 1),
            np.empty(LANES),
            np.empty(len(w) // BLOCK * LANES, dtype=np.uint8),
            np.empty((longest, 2)),
        )
        block = np.zeros(BLOCK)
        for number in range(begin, len(satellites)):
            satellite = satellites[number]
            is_deep = satellite[DEEP] != 0.0
            index = int(satellite[ROW])
            offset = satellite[OFFSET_MINUTES]
            first = 0
            steps = np.zeros((1, 5))
            if is_deep:
                k = deep[index]
                first = min(0, int(min(offset, offset + span / 60.0) / 720.0) - 1)
                last = max(0, int(max(offset, offset + span / 60.0) / 720.0) + 1)
                if k[18] != 0.0:
                    steps = np.zeros((last - first + 1, 5))
                    resonance_steps(k, first, last, steps)
            else:
                k = near[index]
            sky = (is_deep, k, steps, first, offset, knots, first_knot, earth_rate, block)
            became, count = one_satellite(
                sky, satellite, span, stations, mask, w, found, spare, station_of, work, small,
                out, row,
            )  # fmt: skip
            if became == NO_ROOM:
                return number, row
            status[number] = became
            for contact in range(count):
                out_satellite[row + contact] = number
                out_station[row + contact] = station_of[contact]
                out_cuts[row + contact] = int(found[contact, CUTS])
            row += count
        return len(satellites), row

    return predict_satellites


def _make_coefficients(sources: int):
    def near_coefficients(mean, out, motion):
        """SGP4's coefficients of mean elements.

        Args:
            mean: mean motion (rad/min), eccentricity, inclination, perigee, anomaly (rad), drag
                term, node (rad), …: a row a satellite.
            out, motion: coefficients, and mean motion without Kozai's correction, are written.
        """
        assert sources >= 0
        for number in range(len(mean)):
            e = mean[number]
            motion[number] = initialise(e[0], e[1], e[2], e[3], e[4], e[5], out[number])
            out[number, 4] = e[6]

    return near_coefficients


predict_satellites = entry(_make)
near_coefficients = entry(_make_coefficients)
