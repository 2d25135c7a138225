"""Finds one satellite's contacts with one station on the polynomials.

The same reasoning as :mod:`contactd.core.contacts.search`: clearances at nodes (and, where the
path may wind, between them), turning points where the rate changes sign, one crossing at every
change of sign. What is found is exact only to the polynomials; :mod:`finish` makes it so.
"""

from __future__ import annotations

import math

import numpy as np

from contactd.core.contacts.compiled.kernel import LANES, kernel
from contactd.core.contacts.compiled.near_earth import (
    BLOCK,
    CLEAR,
    RATE,
    ROWS,
    VX,
    VY,
    VZ,
    X,
    Y,
    Z,
)
from contactd.core.contacts.compiled.segment import (
    FX,
    FY,
    FZ,
    SINE,
    UX,
    UY,
    UZ,
    axis_at,
    clearance_on,
    hold,
    place_of,
)
from contactd.core.contacts.compiled.states import exact_turning

EARTH_RATE = 7.292115146706979e-5
MU = 398_600.4418
NEAR_GRAZING = 2e-5
SAMPLES_PER_RADIAN = 12.0

# Columns of the found contacts (seconds since the span's start).
AOS, AOS_LOW, AOS_HIGH, LOS, LOS_LOW, LOS_HIGH, TCA, CUTS = range(8)
FOUND_COLUMNS = 8

# Columns of the segments' paces.
PARTS, REACH = range(2)


@kernel
def clear_blocks(w, blocks, s):
    """Clearance over the station's cone and its rate at every node of every block."""
    fx, fy, fz = s[FX], s[FY], s[FZ]
    ux, uy, uz, sine = s[UX], s[UY], s[UZ], s[SINE]
    for number in range(blocks):
        block = w[number * BLOCK : (number + 1) * BLOCK]
        for i in range(LANES):
            dx = block[X * LANES + i] - fx
            dy = block[Y * LANES + i] - fy
            dz = block[Z * LANES + i] - fz
            vx = block[VX * LANES + i]
            vy = block[VY * LANES + i]
            vz = block[VZ * LANES + i]
            distance = math.sqrt(dx * dx + dy * dy + dz * dz)
            rate = (dx * vx + dy * vy + dz * vz) / distance
            block[CLEAR * LANES + i] = ux * dx + uy * dy + uz * dz - sine * distance
            block[RATE * LANES + i] = ux * vx + uy * vy + uz * vz - sine * rate


@kernel
def root_on(c, s, u0, u1, f0, f1):
    """Share of the segment where the clearance changes sign between ``u0`` and ``u1``."""
    rising = f1 >= 0.0
    low, high = u0, u1
    u = u0 + (u1 - u0) * f0 / (f0 - f1)
    if not low <= u <= high:
        u = 0.5 * (low + high)
    for _ in range(40):
        f, g = clearance_on(c, s, u)
        if (f >= 0.0) == rising:
            high = u
        else:
            low = u
        moved = u - f / g
        if not low <= moved <= high:
            moved = 0.5 * (low + high)
        done = abs(moved - u) < 3e-4
        u = moved
        if done:
            break
    return u


@kernel
def cubic_root(f0, g0, f1, g1, step):
    """Share of a step at which the cubic of values and rates at its ends changes sign.

    Within a tenth of a second of the crossing for a low orbit: near enough for the exact step.
    """
    g0, g1 = g0 * step, g1 * step
    c2 = 3.0 * (f1 - f0) - 2.0 * g0 - g1
    c3 = 2.0 * (f0 - f1) + g0 + g1
    rising = f1 >= 0.0
    low, high = 0.0, 1.0
    u = f0 / (f0 - f1)
    for _ in range(20):
        f = f0 + u * (g0 + u * (c2 + u * c3))
        g = g0 + u * (2.0 * c2 + u * 3.0 * c3)
        if (f >= 0.0) == rising:
            high = u
        else:
            low = u
        moved = u - f / g
        if not low <= moved <= high:
            moved = 0.5 * (low + high)
        # Newton's next error is this step's square: some hundredths of a second.
        done = abs(moved - u) < 1e-2
        u = moved
        if done:
            break
    return u


@kernel
def turning_on(c, s, u0, u1, g0):
    """Share of the segment where the clearance's rate changes sign between ``u0`` and ``u1``."""
    low, high = u0, u1
    u = 0.5 * (low + high)
    for _ in range(50):
        x, vx, ax = axis_at(c, 0, u)
        y, vy, ay = axis_at(c, 6, u)
        z, vz, az = axis_at(c, 12, u)
        dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
        inverse = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
        along = (dx * vx + dy * vy + dz * vz) * inverse
        speed = vx * vx + vy * vy + vz * vz
        outward = (speed + dx * ax + dy * ay + dz * az - along * along) * inverse
        g = s[UX] * vx + s[UY] * vy + s[UZ] * vz - s[SINE] * along
        bend = s[UX] * ax + s[UY] * ay + s[UZ] * az - s[SINE] * outward
        if (g > 0.0) == (g0 > 0.0):
            low = u
        else:
            high = u
        moved = u - g / bend
        if not low <= moved <= high:
            moved = 0.5 * (low + high)
        done = abs(moved - u) < 1e-6
        u = moved
        if done:
            break
    return u


@kernel
def samples_in(w, node, step):
    """Into how many parts a segment must be cut for a twelfth of a radian each."""
    most = 0.0
    for end in range(2):
        a = place_of(node + end)
        x, y, z = w[a + X * LANES], w[a + Y * LANES], w[a + Z * LANES]
        vx, vy, vz = w[a + VX * LANES], w[a + VY * LANES], w[a + VZ * LANES]
        hx, hy, hz = y * vz - z * vy, z * vx - x * vz, x * vy - y * vx
        rate = math.sqrt(hx * hx + hy * hy + hz * hz) / (x * x + y * y + z * z)
        most = max(most, rate)
    return max(1, math.ceil(SAMPLES_PER_RADIAN * most * step))


@kernel
def _open(found, count, at, low, high, cut):
    found[count, AOS] = at
    found[count, AOS_LOW] = low
    found[count, AOS_HIGH] = high
    found[count, CUTS] = 1.0 if cut else 0.0


@kernel
def _close(found, count, at, low, high, cut):
    found[count, LOS] = at
    found[count, LOS_LOW] = low
    found[count, LOS_HIGH] = high
    if cut:
        found[count, CUTS] += 2.0


@kernel
def _piece(c, s, t0, step, u0, u1, f0, f1, found, count):
    """Notes the crossing between two samples of opposite sign; returns the contacts closed."""
    at = t0 + step * root_on(c, s, u0, u1, f0, f1)
    low, high = t0 + step * u0, t0 + step * u1
    if f1 >= 0.0:
        _open(found, count, at, low, high, np.bool_(False))
        return count
    _close(found, count, at, low, high, np.bool_(False))
    return count + 1


@kernel
def scan_segment(w, node, step, parts, simple, s, f0, g0, f1, g1, rate, c, held, found, count, sky):
    """Crossings within one segment, into ``found`` from row ``count`` on.

    Args:
        parts: samples a segment; ``simple`` where the clearance is known to bend down only.
        held: node whose segment ``c`` holds now (one number in an array), renewed as needed.
        sky: what :func:`exact_turning` needs to judge a grazing turning point.

    Returns:
        The number of contacts closed so far; an open one lies in row ``count``.
    """
    t0 = node * step
    fa, ga, ua = f0, g0, 0.0
    for part in range(1, parts + 1):
        ub = part / parts
        if part == parts:
            fb, gb = f1, g1
        else:
            hold(w, node, step, rate, c, held)
            fb, gb = clearance_on(c, s, ub)
            gb /= step
        length = 2.0 * (ub - ua) * step
        crossing = (fa >= 0.0) != (fb >= 0.0)
        summit = (not crossing) & (fa < 0.0) & (ga > 0.0) & (gb <= 0.0)
        summit = summit & (min(fa + ga * length, fb - gb * length) > -1.0)
        trough = (not crossing) & (fa >= 0.0) & (ga < 0.0) & (gb >= 0.0) & (not simple)
        trough = trough & (max(fa + ga * length, fb - gb * length) < 1.0)
        if crossing | summit | trough:
            hold(w, node, step, rate, c, held)
        if crossing:
            count = _piece(c, s, t0, step, ua, ub, fa, fb, found, count)
        elif summit | trough:
            um = turning_on(c, s, ua, ub, ga)
            fm, _ = clearance_on(c, s, um)
            x, _, _ = axis_at(c, 0, um)
            y, _, _ = axis_at(c, 6, um)
            z, _, _ = axis_at(c, 12, um)
            distance = math.sqrt((x - s[FX]) ** 2 + (y - s[FY]) ** 2 + (z - s[FZ]) ** 2)
            if abs(fm) < NEAR_GRAZING * distance:
                at, fm = exact_turning(sky, s, t0 + um * step, step)
                um = min(max((at - t0) / step, ua), ub)
            if (fm >= 0.0) != (fa >= 0.0):
                count = _piece(c, s, t0, step, ua, um, fa, fm, found, count)
                count = _piece(c, s, t0, step, um, ub, fm, fb, found, count)
        fa, ga, ua = fb, gb, ub
    return count


@kernel
def scan_station(w, nodes, step, span, simple, s, rate, c, held, found, sky, flags, paces):
    """All contacts of one station, into ``found``; returns how many, or −1 if they do not fit.

    Args:
        simple: where the clearance is known to bend down only.
        flags: room for one byte a node, in whole blocks.
        paces: as :func:`note_paces` left them, unless ``simple``.
    """
    clear_blocks(w, (nodes + LANES - 1) // LANES, s)
    f0 = w[CLEAR * LANES]
    if f0 >= 0.0:
        _open(found, 0, 0.0, 0.0, 0.0, np.bool_(True))
    if simple:
        count = _scan_simple(w, nodes, step, s, rate, c, held, found, sky, flags)
    else:
        count = _scan_any(w, nodes, step, s, rate, c, held, found, sky, paces)
    if count >= 0 and w[place_of(nodes - 1) + CLEAR * LANES] >= 0.0:
        _close(found, count, span, span, span, np.bool_(True))
        count += 1
    return count


@kernel
def _flag_blocks(w, blocks, step, flags):
    """After which nodes there is a crossing, or a summit that may be above the horizon.

    Bending down only, the clearance stays below both tangents, and so below where they meet.
    """
    for number in range(blocks):
        block = w[number * BLOCK : (number + 1) * BLOCK]
        for i in range(LANES - 1):
            f0, g0 = block[CLEAR * LANES + i], block[RATE * LANES + i]
            f1, g1 = block[CLEAR * LANES + i + 1], block[RATE * LANES + i + 1]
            crossing = (f0 >= 0.0) != (f1 >= 0.0)
            summit = (f0 < 0.0) & (g0 > 0.0) & (g1 <= 0.0)
            summit = summit & (g0 * f1 - f0 * g1 - g0 * g1 * step > g1 - g0)
            flags[number * LANES + i] = 1 if crossing | summit else 0
        # What comes after the last node of a block lies in the next: always worth a look.
        flags[number * LANES + LANES - 1] = 1


@kernel
def _scan_simple(w, nodes, step, s, rate, c, held, found, sky, flags):
    """Contacts closed where the clearance bends down only, or −1 if they do not fit."""
    blocks = (nodes + LANES - 1) // LANES
    _flag_blocks(w, blocks, step, flags)
    eights = flags[: blocks * LANES].view(np.int64)
    room = len(found) - 4 * 64
    count = np.int64(0)
    for eight in range(len(eights)):
        if eights[eight] == 0:
            continue
        for node in range(8 * eight, min(8 * eight + 8, nodes - 1)):
            if flags[node] == 0:
                continue
            a, b = place_of(node), place_of(node + 1)
            f0, g0 = w[a + CLEAR * LANES], w[a + RATE * LANES]
            f1, g1 = w[b + CLEAR * LANES], w[b + RATE * LANES]
            if (f0 >= 0.0) != (f1 >= 0.0):
                low = node * step
                instant = low + step * cubic_root(f0, g0, f1, g1, step)
                if f1 >= 0.0:
                    _open(found, count, instant, low, low + step, np.bool_(False))
                else:
                    _close(found, count, instant, low, low + step, np.bool_(False))
                    count += 1
            elif (f0 < 0.0) & (g0 > 0.0) & (g1 <= 0.0):
                count = scan_segment(
                    w, node, step, np.int64(1), True, s, f0, g0, f1, g1, rate, c, held, found,
                    count, sky,
                )  # fmt: skip
        if count > room:
            return np.int64(-1)
    return count


@kernel
def note_paces(w, nodes, step, paces):
    """How finely each segment must be looked at, whatever the station.

    Args:
        paces: for each segment, room for the parts it must be cut into, and how far (km) the
            target may come within half as long again.
    """
    for node in range(nodes - 1):
        at = place_of(node + 1)
        vx, vy, vz = w[at + VX * LANES], w[at + VY * LANES], w[at + VZ * LANES]
        paces[node, PARTS] = samples_in(w, node, step)
        paces[node, REACH] = math.sqrt(vx * vx + vy * vy + vz * vz) * step * 1.5


@kernel
def _scan_any(w, nodes, step, s, rate, c, held, found, sky, paces):
    """Contacts closed however the clearance winds, or −1 if they do not fit."""
    room = len(found) - 4 * 64
    count = np.int64(0)
    f0, g0 = w[CLEAR * LANES], w[RATE * LANES]
    for node in range(1, nodes):
        at = place_of(node)
        f1, g1 = w[at + CLEAR * LANES], w[at + RATE * LANES]
        crossing = (f0 >= 0.0) != (f1 >= 0.0)
        # How far the clearance can move from the nearer end at full speed.
        reach = paces[node - 1, REACH]
        if crossing | ((max(f0, f1) > -reach) & (min(f0, f1) < reach)):
            parts = int(paces[node - 1, PARTS])
            count = scan_segment(
                w, node - 1, step, parts, False, s, f0, g0, f1, g1, rate, c, held, found, count,
                sky,
            )  # fmt: skip
        f0, g0 = f1, g1
        if count > room:
            return np.int64(-1)
    return count


@kernel
def bends_down_only(s, radius_least, radius_greatest, step, fastest):
    """Whether the clearance has no trough, and one summit, wherever it can be positive.

    Its second rate is −g (û·r̂ − sin E ρ̂·r̂) less the square of the sideways speed, plus what the
    turning Earth adds (Coriolis, centrifugal): negative if the target is never far from overhead.
    """
    sine = max(s[SINE], 0.0)
    cosine = math.sqrt(1.0 - s[SINE] * s[SINE])
    home = math.sqrt(s[FX] ** 2 + s[FY] ** 2 + s[FZ] ** 2)
    level = math.asin(s[SINE])
    farthest = math.acos(min(home * cosine / radius_greatest, 1.0)) - level
    farthest += 0.02 + step * (fastest + EARTH_RATE)
    if radius_least < home or farthest >= 0.5 * math.pi:
        return False
    year = math.sqrt(radius_greatest**3 / MU)
    turning = 2.0 * EARTH_RATE * math.sqrt(2.0) * year + (EARTH_RATE * year) ** 2
    return math.cos(farthest) - sine - turning > 0.02


BLOCK_ROWS = ROWS
