"""Makes found contacts exact, all of a satellite's at once, and says where the station looks.

Every rise, set and summit is asked of the propagator at the instant that the polynomials gave, a
block at a time; one Newton step from there is enough nearly always, and what still moves by more
than a millisecond is asked again.
"""

from __future__ import annotations

import math

import numpy as np

from contactd.core.contacts.compiled.kernel import LANES, inlined, kernel
from contactd.core.contacts.compiled.mask import mask_clearance, same_piece
from contactd.core.contacts.compiled.near_earth import ROUND_ECCENTRICITY, VX, VY, VZ, X, Y, Z
from contactd.core.contacts.compiled.scan import (
    AOS,
    AOS_HIGH,
    AOS_LOW,
    CUTS,
    LOS,
    LOS_HIGH,
    LOS_LOW,
    TCA,
)
from contactd.core.contacts.compiled.segment import (
    EX,
    EY,
    FX,
    FY,
    FZ,
    MASKED,
    NX,
    NY,
    NZ,
    UX,
    UY,
    UZ,
    acceleration,
    clearance,
    clearance_bend,
    height,
    place_of,
)
from contactd.core.contacts.compiled.states import (
    PARABOLA_HALF_RAD,
    propagate,
    set_instant,
    set_instants,
)
from contactd.core.contacts.compiled.trigonometry import arc_tangent

MU = 398_600.4418
SETTLED_S = 1e-3
STEEP_S = 0.25  # a step of second order is right to a microsecond below this …
STEEP_CURL = 2e-3  # … while the rate changes by less than this share on the way
MOST_ROUNDS = 8
LONGEST_SUMMIT_STEP_S = 5.0
DEGREES = 180.0 / math.pi

# What is asked at an instant.
RISE, FALL, SUMMIT, BEFORE, MIDDLE, AFTER = range(6)

# Columns of the answers.
(
    OUT_AOS, OUT_TCA, OUT_LOS, OUT_AOS_AZIMUTH, OUT_TCA_AZIMUTH, OUT_LOS_AZIMUTH, OUT_ELEVATION,
    OUT_RANGE,
) = range(8)  # fmt: skip


@inlined
def lane_state(block, lane):
    """Position and velocity of one lane."""
    return (
        block[X * LANES + lane], block[Y * LANES + lane], block[Z * LANES + lane],
        block[VX * LANES + lane], block[VY * LANES + lane], block[VZ * LANES + lane],
    )  # fmt: skip


@inlined
def local(s, x, y, z):
    """East, north and up (km) from the station to a place."""
    dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
    return (
        s[EX] * dx + s[EY] * dy,
        s[NX] * dx + s[NY] * dy + s[NZ] * dz,
        s[UX] * dx + s[UY] * dy + s[UZ] * dz,
    )


@kernel
def _to_angles(out, first_row, count, beside):
    """Makes angles (deg) of the sides that were noted in their columns, all rows at once."""
    for number in range(3):
        column = out[OUT_AOS_AZIMUTH + number, first_row : first_row + count]
        north = beside[number, :count]
        for c in range(count):
            angle = arc_tangent(column[c], north[c]) * DEGREES
            column[c] = angle + 360.0 if angle < 0.0 else angle
    column = out[OUT_ELEVATION, first_row : first_row + count]
    level = beside[3, :count]
    for c in range(count):
        column[c] = arc_tangent(column[c], level[c]) * DEGREES


@kernel
def over_horizon(s, mask, x, y, z, vx, vy, vz):
    """Clearance over whichever horizon the station has, and its rate."""
    if s[MASKED] >= 0.0:
        return mask_clearance(s, mask, x, y, z, vx, vy, vz)
    return clearance(s, x, y, z, vx, vy, vz)


@kernel
def halved(sky, s, mask, low, high, rising, seconds):
    """A crossing by cutting its bracket into as many parts as a block has lanes, again and again.

    For grazing passes and jumps in a mask, where Newton's steps lead astray.
    """
    block = sky[8]
    play = 1e-3
    for _ in range(12):
        for lane in range(LANES):
            seconds[lane] = low + (high - low) * lane / (LANES - 1)
        set_instants(sky, seconds, np.int64(LANES))
        first = 0
        for lane in range(LANES):
            x, y, z, vx, vy, vz = lane_state(block, lane)
            value, _ = over_horizon(s, mask, x, y, z, vx, vy, vz)
            if (value >= 0.0) == rising:
                first = lane
                break
            first = lane + 1
        if first == 0:
            # The polynomials' error has put the crossing before the bracket, or else after it.
            low -= play
            play *= 4.0
        elif first == LANES:
            high += play
            play *= 4.0
        else:
            low, high = seconds[first - 1], seconds[first]
            if high - low < 1e-5:
                break
    return 0.5 * (low + high)


@kernel
def _ask(found, count, deep, w, step, nodes, asked, who, what):
    """The instants to ask the propagator for, in the order of the contacts."""
    number = 0
    for c in range(count):
        for kind in range(2):
            asked[number] = found[c, AOS] if kind == RISE else found[c, LOS]
            who[number] = c
            what[number] = kind
            number += 1
        if found[c, TCA] <= found[c, AOS] or found[c, TCA] >= found[c, LOS]:
            continue
        if not deep:
            asked[number] = found[c, TCA]
            who[number] = c
            what[number] = SUMMIT
            number += 1
            continue
        at = place_of(min(int(found[c, TCA] / step + 0.5), nodes - 1))
        x, y, z = w[at + X * LANES], w[at + Y * LANES], w[at + Z * LANES]
        radius = math.sqrt(x * x + y * y + z * z)
        half = min(PARABOLA_HALF_RAD * math.sqrt(radius**3 / MU), 0.25 * step)
        for kind in range(3):
            asked[number] = found[c, TCA] + (kind - 1) * half
            who[number] = c
            what[number] = BEFORE + kind
            number += 1
    return number


@kernel
def _note_edge(out, row, c, beside, s, at, shift, rise, x, y, z, vx, vy, vz):
    """Writes a rise or a set: its instant, and the sides of its azimuth."""
    east, north, _ = local(s, x + vx * shift, y + vy * shift, z + vz * shift)
    out[OUT_AOS if rise else OUT_LOS, row] = at + shift
    out[OUT_AOS_AZIMUTH if rise else OUT_LOS_AZIMUTH, row] = east
    beside[0 if rise else 2, c] = north


@kernel
def _note_summit(out, row, c, beside, s, at, shift, rate, x, y, z, vx, vy, vz):
    """Writes a summit: its instant and range, and the sides of its azimuth and elevation."""
    ax, ay, az = acceleration(x, y, z, vx, vy, rate)
    half = 0.5 * shift * shift
    east, north, up = local(
        s, x + vx * shift + ax * half, y + vy * shift + ay * half, z + vz * shift + az * half
    )
    level = math.sqrt(east * east + north * north)
    out[OUT_TCA, row] = at + shift
    out[OUT_TCA_AZIMUTH, row] = east
    out[OUT_ELEVATION, row] = up
    out[OUT_RANGE, row] = math.sqrt(level * level + up * up)
    beside[1, c], beside[3, c] = north, level


@kernel
def finish(sky, stations, mask, found, station_of, count, w, step, nodes, out, first_row, work):
    """Exact instants and angles of a satellite's contacts into the columns of ``out``.

    Args:
        station_of: row of ``stations`` of each contact.
        work: instants, owners, kinds with room for five a contact; a few values at three instants;
            a block's instants; beside each angle's first side, in its column, its second.
    """
    deep, rate, block = sky[0], sky[7], sky[8]
    offset, knots, first_knot = sky[4], sky[5], sky[6]
    asked, who, what, triple, lanes, beside = work
    steep = (not deep) and sky[1][23] < ROUND_ECCENTRICITY
    pending = _ask(found, count, deep, w, step, nodes, asked, who, what)
    for turn in range(MOST_ROUNDS):
        again = 0
        for begin in range(0, pending, LANES):
            used = min(LANES, pending - begin)
            for lane in range(LANES):
                seconds = asked[begin + min(lane, used - 1)]
                set_instant(block, np.int64(0), lane, seconds, offset, knots, first_knot)
            propagate(sky, block, np.int64(0))
            for lane in range(used):
                number = begin + lane
                c, kind, at = who[number], what[number], asked[number]
                s = stations[station_of[c]]
                row = first_row + c
                x, y, z, vx, vy, vz = lane_state(block, lane)
                if kind <= FALL:
                    rise = kind == RISE
                    cut = (int(found[c, CUTS]) & (1 if rise else 2)) != 0
                    shift, slope, settled = 0.0, 0.0, True
                    ax, ay, az = acceleration(x, y, z, vx, vy, rate)
                    if not cut:
                        value, slope = over_horizon(s, mask, x, y, z, vx, vy, vz)
                        shift = -value / slope if slope != 0.0 else 1e9
                        settled = (abs(shift) < SETTLED_S) & ((slope > 0.0) == rise)
                        if s[MASKED] >= 0.0:
                            settled = settled & same_piece(
                                s, mask, x, y, z, x + vx * shift, y + vy * shift, z + vz * shift
                            )
                        elif (not settled) & steep:
                            # One step of second order does what two of first order would.
                            bend = clearance_bend(s, x, y, z, vx, vy, vz, ax, ay, az)
                            curl = 0.5 * bend * shift / slope if slope != 0.0 else 1e9
                            settled = (abs(shift) < STEEP_S) & (abs(curl) < STEEP_CURL)
                            settled = settled & ((slope > 0.0) == rise)
                            shift = shift * (1.0 - curl * (1.0 - 2.0 * curl))
                    if settled:
                        half = 0.5 * shift * shift
                        _note_edge(
                            out, row, c, beside, s, at, shift, rise, x + ax * half, y + ay * half,
                            z + az * half, vx, vy, vz,
                        )  # fmt: skip
                        if (
                            found[c, TCA] <= found[c, AOS]
                            if rise
                            else found[c, TCA] >= found[c, LOS]
                        ):
                            _note_summit(
                                out, row, c, beside, s, at, shift, rate, x, y, z, vx, vy, vz
                            )
                        continue
                    low = found[c, AOS_LOW if rise else LOS_LOW]
                    high = found[c, AOS_HIGH if rise else LOS_HIGH]
                    moved = at + shift
                    fit = ((slope > 0.0) == rise) & (moved > low - 2.0) & (moved < high + 2.0)
                    if turn == MOST_ROUNDS - 1 or not fit:
                        moved = math.nan
                    # Asked again at once below: nothing before `number` is still to be read.
                    asked[again], who[again], what[again] = moved, c, kind
                    again += 1
                elif kind == SUMMIT:
                    shift = 0.0
                    if found[c, AOS] < at < found[c, LOS]:
                        ax, ay, az = acceleration(x, y, z, vx, vy, rate)
                        _, climb, bend = height(s, x, y, z, vx, vy, vz, ax, ay, az)
                        if bend < 0.0 and abs(climb) < -bend * LONGEST_SUMMIT_STEP_S:
                            shift = -climb / bend
                    _note_summit(out, row, c, beside, s, at, shift, rate, x, y, z, vx, vy, vz)
                else:
                    dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
                    up = s[UX] * dx + s[UY] * dy + s[UZ] * dz
                    triple[kind - BEFORE] = up / math.sqrt(dx * dx + dy * dy + dz * dz)
                    if kind == BEFORE:
                        triple[6], triple[7], triple[8] = x, y, z
                    if kind == MIDDLE:
                        triple[3], triple[4], triple[5] = x, y, z
                        triple[9] = at
                    if kind == AFTER:
                        bend = triple[0] - 2.0 * triple[1] + triple[2]
                        half = at - triple[9]
                        shift = 0.0
                        if bend < 0.0 and found[c, AOS] < triple[9] < found[c, LOS]:
                            shift = 0.5 * half * (triple[0] - triple[2]) / bend
                            if turn < MOST_ROUNDS - 1 and abs(shift) > 0.02 * half:
                                # The guess was poor: a parabola about a better one.
                                shift = min(max(shift, -8.0 * half), 8.0 * half)
                                middle = triple[9] + shift
                                middle = min(max(middle, found[c, AOS]), found[c, LOS])
                                for part in range(3):
                                    asked[again] = middle + (part - 1) * half
                                    who[again], what[again] = c, BEFORE + part
                                    again += 1
                                continue
                            shift = min(max(shift, -half), half)
                        # SDP4's printed velocity is not the slope of its position; this is.
                        once = 0.5 / half
                        _note_summit(
                            out, row, c, beside, s, triple[9], shift, rate,
                            triple[3], triple[4], triple[5],
                            (x - triple[6]) * once, (y - triple[7]) * once, (z - triple[8]) * once,
                        )  # fmt: skip
        # What Newton could not settle is halved; the rest is asked again.
        kept = 0
        for number in range(again):
            c, kind = who[number], what[number]
            if not math.isnan(asked[number]):
                asked[kept], who[kept], what[kept] = asked[number], c, kind
                kept += 1
                continue
            rise = kind == RISE
            low = found[c, AOS_LOW if rise else LOS_LOW]
            high = found[c, AOS_HIGH if rise else LOS_HIGH]
            s = stations[station_of[c]]
            at = halved(sky, s, mask, low, high, rise, lanes)
            lanes[0] = at
            set_instants(sky, lanes, np.int64(1))
            x, y, z, vx, vy, vz = lane_state(block, 0)
            _note_edge(out, first_row + c, c, beside, s, at, 0.0, rise, x, y, z, vx, vy, vz)
            if found[c, TCA] <= found[c, AOS] if rise else found[c, TCA] >= found[c, LOS]:
                _note_summit(out, first_row + c, c, beside, s, at, 0.0, rate, x, y, z, vx, vy, vz)
        pending = kept
        if pending == 0:
            break
    _to_angles(out, first_row, count, beside)
    for c in range(count):
        row = first_row + c
        out[OUT_TCA, row] = min(max(out[OUT_TCA, row], out[OUT_AOS, row]), out[OUT_LOS, row])
