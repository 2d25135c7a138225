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

SAMPLES_PER_SEGMENT = 80
CORNER_SIDE_S = 5e-4
PARTS_OF_DOUBT = 64


@kernel
def _piece_of(mask, begin, azimuth):
    """Row of the corner before an azimuth (rad)."""
    row = begin
    while mask[row + 1, 0] <= azimuth:
        row += 1
    return row


@kernel
def mask_view(s, mask, x, y, z, vx, vy, vz):
    """Clearance over the mask (rad), its rate, and the row of the mask's piece."""
    dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
    east = s[EX] * dx + s[EY] * dy
    north = s[NX] * dx + s[NY] * dy + s[NZ] * dz
    up = s[UX] * dx + s[UY] * dy + s[UZ] * dz
    ve = s[EX] * vx + s[EY] * vy
    vn = s[NX] * vx + s[NY] * vy + s[NZ] * vz
    vu = s[UX] * vx + s[UY] * vy + s[UZ] * vz
    square = east * east + north * north
    level = math.sqrt(square)
    azimuth = math.atan2(east, north)
    row = _piece_of(mask, int(s[MASKED]), azimuth)
    width = mask[row + 1, 0] - mask[row, 0]
    slope = (mask[row + 1, 1] - mask[row, 1]) / width
    value = math.atan2(up, level) - mask[row, 1] - slope * (azimuth - mask[row, 0])
    if level == 0.0:
        return value, 0.0, row
    climb = (level * vu - up * (east * ve + north * vn) / level) / (square + up * up)
    return value, climb - slope * (north * ve - east * vn) / square, row


@kernel
def mask_clearance(s, mask, x, y, z, vx, vy, vz):
    """Clearance over the mask (rad) and its rate."""
    value, rate, _ = mask_view(s, mask, x, y, z, vx, vy, vz)
    return value, rate


@kernel
def same_piece(s, mask, x0, y0, z0, x1, y1, z1):
    """Whether two places lie over the same straight piece of the mask."""
    _, _, row0 = mask_view(s, mask, x0, y0, z0, 0.0, 0.0, 0.0)
    _, _, row1 = mask_view(s, mask, x1, y1, z1, 0.0, 0.0, 0.0)
    return row0 == row1


@kernel
def view_on(c, s, mask, u, step):
    """Clearance over the mask, its rate (1/s) and the mask's row at a share of a segment."""
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
    """Instant between two samples where the clearance changes sign."""
    while high - low > 1e-4:
        middle = 0.5 * (low + high)
        value, _, _ = _view(w, nodes, step, rate, c, held, s, mask, middle)
        if (value >= 0.0) == rising:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


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
        _, slope, _ = _view(w, nodes, step, rate, c, held, s, mask, middle)
        if (slope > 0.0) == (ra > 0.0):
            low = middle
        else:
            high = middle
    tm = 0.5 * (low + high)
    vm, _, _ = _view(w, nodes, step, rate, c, held, s, mask, tm)
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
    va, ra, rowa = _view(w, nodes, step, rate, c, held, s, mask, ta)
    starts = va >= 0.0
    if (cuts & 1) == 0:
        starts, va = False, min(va, -1e-15)
    room = len(edges) - 8
    while ta < los and count < room:
        tb = min(ta + step / SAMPLES_PER_SEGMENT, los)
        vb, rb, rowb = _view(w, nodes, step, rate, c, held, s, mask, tb)
        if tb >= los and (cuts & 2) == 0:
            vb = min(vb, -1e-15)
        while rowa != rowb:
            # The nearest corner on the way is looked at from both of its sides.
            low, high = ta, tb
            while high - low > CORNER_SIDE_S:
                middle = 0.5 * (low + high)
                _, _, row = _view(w, nodes, step, rate, c, held, s, mask, middle)
                if row == rowa:
                    low = middle
                else:
                    high = middle
            vl, rl, _ = _view(w, nodes, step, rate, c, held, s, mask, low)
            vh, rh, rowh = _view(w, nodes, step, rate, c, held, s, mask, high)
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
