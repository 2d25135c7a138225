"""Azimuth-dependent masks: where a contact over a mask's lowest elevation is really in view.

The mask is a table of corners ``[azimuth (rad, ascending, from below −π to above π), elevation
(rad)]``, joined by straight lines; a station's table begins at its ``MASKED`` row and ends with an
azimuth beyond π.
"""

from __future__ import annotations

import math

from contactd.core.contacts.compiled.kernel import kernel
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
    axis_at,
    hold,
)
from contactd.core.contacts.compiled.trigonometry import arc_tangent

SAMPLES_PER_SEGMENT = 80
FEWEST_SAMPLES = 16
SAFE_SHARE = 0.5  # on the way the rates may grow to twice as much, as a target comes nearer
CORNER_SIDE_S = 5e-4


@kernel
def _piece_of(mask, begin, azimuth):
    """Row of the corner before an azimuth (rad)."""
    row = begin
    while mask[row + 1, 0] <= azimuth:
        row += 1
    return row


@kernel
def mask_view(s, mask, x, y, z, vx, vy, vz):
    """Clearance over the mask (rad), its rate, the row of the mask's piece, and a bound of rates.

    The bound (1/s) holds for every way in which a target that fast can cross that piece from there.
    """
    dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
    east = s[EX] * dx + s[EY] * dy
    north = s[NX] * dx + s[NY] * dy + s[NZ] * dz
    up = s[UX] * dx + s[UY] * dy + s[UZ] * dz
    ve = s[EX] * vx + s[EY] * vy
    vn = s[NX] * vx + s[NY] * vy + s[NZ] * vz
    vu = s[UX] * vx + s[UY] * vy + s[UZ] * vz
    square = east * east + north * north
    level = math.sqrt(square)
    azimuth = arc_tangent(east, north)
    row = _piece_of(mask, int(s[MASKED]), azimuth)
    width = mask[row + 1, 0] - mask[row, 0]
    slope = (mask[row + 1, 1] - mask[row, 1]) / width
    value = arc_tangent(up, level) - mask[row, 1] - slope * (azimuth - mask[row, 0])
    if level == 0.0:
        return value, 0.0, row, math.inf
    range_square = square + up * up
    climb = (level * vu - up * (east * ve + north * vn) / level) / range_square
    pace = math.sqrt((ve * ve + vn * vn + vu * vu) / range_square)
    pace *= 1.0 + abs(slope) * math.sqrt(range_square) / level
    return value, climb - slope * (north * ve - east * vn) / square, row, pace


@kernel
def mask_clearance(s, mask, x, y, z, vx, vy, vz):
    """Clearance over the mask (rad) and its rate."""
    value, rate, _, _ = mask_view(s, mask, x, y, z, vx, vy, vz)
    return value, rate


@kernel
def same_piece(s, mask, x0, y0, z0, x1, y1, z1):
    """Whether two places lie over the same straight piece of the mask."""
    _, _, row0, _ = mask_view(s, mask, x0, y0, z0, 0.0, 0.0, 0.0)
    _, _, row1, _ = mask_view(s, mask, x1, y1, z1, 0.0, 0.0, 0.0)
    return row0 == row1


@kernel
def view_on(c, s, mask, u, step):
    """What :func:`mask_view` tells at a share of a segment."""
    x, vx, _ = axis_at(c, 0, u)
    y, vy, _ = axis_at(c, 6, u)
    z, vz, _ = axis_at(c, 12, u)
    return mask_view(s, mask, x, y, z, vx / step, vy / step, vz / step)


@kernel
def _view(w, nodes, step, rate, c, held, s, mask, t):
    node = min(max(int(t / step), 0), nodes - 2)
    hold(w, node, step, rate, c, held)
    return view_on(c, s, mask, t / step - node, step)


@kernel
def _crossing(w, nodes, step, rate, c, held, s, mask, low, high, rising):
    """Instant between two samples where the clearance changes sign: Newton within brackets."""
    at = 0.5 * (low + high)
    for _ in range(60):
        value, slope, _, _ = _view(w, nodes, step, rate, c, held, s, mask, at)
        if (value >= 0.0) == rising:
            high = at
        else:
            low = at
        moved = at - value / slope if slope != 0.0 else low
        if not low < moved < high:
            moved = 0.5 * (low + high)
        done = abs(moved - at) < 1e-4
        at = moved
        if done:
            break
    return at


@kernel
def _note(edges, count, at, low, high):
    edges[count, 0] = at
    edges[count, 1] = low
    edges[count, 2] = high
    return count + 1


@kernel
def _piece(w, nodes, step, rate, c, held, s, mask, ta, tb, va, vb, ra, rb, edges, count):
    """Crossings between two neighbouring samples on one straight piece of the mask."""
    if (va >= 0.0) != (vb >= 0.0):
        at = _crossing(w, nodes, step, rate, c, held, s, mask, ta, tb, vb >= 0.0)
        return _note(edges, count, at, ta, tb)
    length = 2.0 * (tb - ta)
    summit = (va < 0.0) & (ra > 0.0) & (rb <= 0.0)
    summit = summit & (min(va + ra * length, vb - rb * length) > 0.0)
    trough = (va >= 0.0) & (ra < 0.0) & (rb >= 0.0)
    trough = trough & (max(va + ra * length, vb - rb * length) < 0.0)
    if not (summit | trough):
        return count
    low, high = ta, tb
    for _ in range(60):
        if high - low < 1e-4:
            break
        middle = 0.5 * (low + high)
        _, slope, _, _ = _view(w, nodes, step, rate, c, held, s, mask, middle)
        if (slope > 0.0) == (ra > 0.0):
            low = middle
        else:
            high = middle
    tm = 0.5 * (low + high)
    vm, _, _, _ = _view(w, nodes, step, rate, c, held, s, mask, tm)
    if (vm >= 0.0) == (va >= 0.0):
        return count
    at = _crossing(w, nodes, step, rate, c, held, s, mask, ta, tm, vm >= 0.0)
    count = _note(edges, count, at, ta, tm)
    at = _crossing(w, nodes, step, rate, c, held, s, mask, tm, tb, vb >= 0.0)
    return _note(edges, count, at, tm, tb)


@kernel
def mask_edges(w, nodes, step, rate, c, held, s, mask, aos, los, cuts, edges):
    """Crossings of the mask between ``aos`` and ``los``, into ``edges`` (instant, bracket).

    Returns:
        How many, and whether the target is in view at ``aos``. Views alternate from there.
    """
    count = 0
    ta = aos
    va, ra, rowa, pace = _view(w, nodes, step, rate, c, held, s, mask, ta)
    starts = va >= 0.0
    if (cuts & 1) == 0:
        starts, va = False, min(va, -1e-15)
    room = len(edges) - 8
    while ta < los and count < room:
        # Far above the mask, or far below, it cannot be crossed for a while.
        far = SAFE_SHARE * abs(va) / pace
        tb = min(ta + min(max(far, step / SAMPLES_PER_SEGMENT), step / FEWEST_SAMPLES), los)
        vb, rb, rowb, pace = _view(w, nodes, step, rate, c, held, s, mask, tb)
        if tb >= los and (cuts & 2) == 0:
            vb = min(vb, -1e-15)
        while rowa != rowb:
            # The nearest corner on the way is looked at from both of its sides.
            low, high = ta, tb
            while high - low > CORNER_SIDE_S:
                middle = 0.5 * (low + high)
                _, _, row, _ = _view(w, nodes, step, rate, c, held, s, mask, middle)
                if row == rowa:
                    low = middle
                else:
                    high = middle
            vl, rl, _, _ = _view(w, nodes, step, rate, c, held, s, mask, low)
            vh, rh, rowh, _ = _view(w, nodes, step, rate, c, held, s, mask, high)
            count = _piece(
                w, nodes, step, rate, c, held, s, mask, ta, low, va, vl, ra, rl, edges, count
            )
            if (vl >= 0.0) != (vh >= 0.0):
                count = _note(edges, count, 0.5 * (low + high), low, high)
            ta, va, ra, rowa = high, vh, rh, rowh
            if count >= room:
                break
        count = _piece(w, nodes, step, rate, c, held, s, mask, ta, tb, va, vb, ra, rb, edges, count)
        ta, va, ra, rowa = tb, vb, rb, rowb
    return count, starts
