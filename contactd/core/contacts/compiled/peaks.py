"""Finds the highest point of a contact on the polynomials."""

from __future__ import annotations

import math

from contactd.core.contacts.compiled.kernel import LANES, inlined, kernel
from contactd.core.contacts.compiled.near_earth import VX, VY, VZ, X, Y, Z
from contactd.core.contacts.compiled.scan import PARTS
from contactd.core.contacts.compiled.segment import (
    FX,
    FY,
    FZ,
    MU_KM3_S2,
    UX,
    UY,
    UZ,
    axis_at,
    height,
    height_on,
    hold,
    place_of,
)

GOOD_ENOUGH = 4e-3  # of a step: what the exact step mends to a tenth of a millisecond


@kernel
def summit_on(c, s, u0, u1):
    """Share of the segment where the elevation is highest, between rising and falling ends."""
    low, high = u0, u1
    # First to where the target is nearest, for the straight line that it follows just now.
    u = 0.5 * (low + high)
    for _ in range(2):
        x, vx, _ = axis_at(c, 0, u)
        y, vy, _ = axis_at(c, 6, u)
        z, vz, _ = axis_at(c, 12, u)
        along = (x - s[FX]) * vx + (y - s[FY]) * vy + (z - s[FZ]) * vz
        u = min(max(u - along / (vx * vx + vy * vy + vz * vz), low), high)
    for _ in range(50):
        _, rate, bend = height_on(c, s, u)
        if rate > 0.0:
            low = u
        else:
            high = u
        moved = u - rate / bend
        if not low <= moved <= high:
            moved = 0.5 * (low + high)
        done = abs(moved - u) < 1e-3
        u = moved
        if done:
            break
    return u


@kernel
def climb_at(w, node, s):
    """Rate of the sine of the elevation at a node, times the distance."""
    at = place_of(node)
    dx = w[at + X * LANES] - s[FX]
    dy = w[at + Y * LANES] - s[FY]
    dz = w[at + Z * LANES] - s[FZ]
    vx, vy, vz = w[at + VX * LANES], w[at + VY * LANES], w[at + VZ * LANES]
    up = s[UX] * dx + s[UY] * dy + s[UZ] * dz
    along = (dx * vx + dy * vy + dz * vz) / (dx * dx + dy * dy + dz * dz)
    return s[UX] * vx + s[UY] * vy + s[UZ] * vz - up * along


@kernel
def make_cubic(w, node, step, out):
    """Coefficients of the cubic from ``node`` to the next into ``out``: x, y, z, 4 each.

    Positions and velocities at both ends alone. Good to 200 m for a low orbit, which moves a
    summit by less than the exact step afterwards mends.
    """
    a, b = place_of(node), place_of(node + 1)
    for axis in range(3):
        p0, p1 = w[a + (X + axis) * LANES], w[b + (X + axis) * LANES]
        v0, v1 = w[a + (VX + axis) * LANES] * step, w[b + (VX + axis) * LANES] * step
        at = 4 * axis
        out[at] = p0
        out[at + 1] = v0
        out[at + 2] = 3.0 * (p1 - p0) - 2.0 * v0 - v1
        out[at + 3] = 2.0 * (p0 - p1) + v0 + v1


@inlined
def cubic_axis(c, at, u):
    """Value, slope and bend (per step) of one axis of a cubic."""
    c3, c2, c1 = c[at + 3], c[at + 2], c[at + 1]
    return (
        c[at] + u * (c1 + u * (c2 + u * c3)),
        c1 + u * (2.0 * c2 + u * 3.0 * c3),
        2.0 * c2 + u * 6.0 * c3,
    )


@inlined
def cubic_rates(c, s, u):
    """First and second rate (per step) of the sine of the elevation on a cubic."""
    x, vx, ax = cubic_axis(c, 0, u)
    y, vy, ay = cubic_axis(c, 4, u)
    z, vz, az = cubic_axis(c, 8, u)
    _, climb, bend = height(s, x, y, z, vx, vy, vz, ax, ay, az)
    return climb, bend


@kernel
def cubic_climb(c, s, u):
    """Rate (per step) of the sine of the elevation on a cubic."""
    climb, _ = cubic_rates(c, s, u)
    return climb


@kernel
def nearest_to(w, node, s, step):
    """Share of a step from a node to where the target is nearest, if it fell freely."""
    at = place_of(node)
    x, y, z = w[at + X * LANES], w[at + Y * LANES], w[at + Z * LANES]
    vx, vy, vz = w[at + VX * LANES], w[at + VY * LANES], w[at + VZ * LANES]
    dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
    square = x * x + y * y + z * z
    pull = MU_KM3_S2 / (square * math.sqrt(square))
    along = dx * vx + dy * vy + dz * vz
    bend = vx * vx + vy * vy + vz * vz - pull * (dx * x + dy * y + dz * z)
    return -along / (bend * step)


@kernel
def single_peak(w, nodes, step, s, c, held, aos, los, cuts):
    """Instant of the highest elevation of a contact that has one summit at most."""
    last = min(int(los / step), nodes - 1)
    node = int(aos / step) + 1
    while node <= last and climb_at(w, node, s) > 0.0:
        node += 1
    # The summit lies after node − 1 (or AOS) and before node (or LOS).
    begin = max((node - 1) * step, aos)
    end = min(node * step, los)
    if end <= begin:
        return begin
    node = min(node, nodes - 1) - 1
    make_cubic(w, node, step, c)
    held[0] = -1
    low, high = begin / step - node, end / step - node
    u = nearest_to(w, node, s, step)
    if u > 0.5:
        u = 1.0 + nearest_to(w, node + 1, s, step)
    u = min(max(u, low), high)
    if cuts != 0:
        # A contact that is cut may be highest at its edge.
        if cubic_climb(c, s, low) <= 0.0:
            return begin
        if cubic_climb(c, s, high) > 0.0:
            return end
    for _ in range(40):
        climb, bend = cubic_rates(c, s, u)
        if climb > 0.0:
            low = u
        else:
            high = u
        moved = u - climb / bend
        if not low <= moved <= high:
            moved = 0.5 * (low + high)
        done = abs(moved - u) < GOOD_ENOUGH
        u = moved
        if done:
            break
    return (node + u) * step


@kernel
def highest_peak(w, nodes, step, s, rate, c, held, aos, los, paces):
    """Instant of the highest elevation between ``aos`` and ``los``, edges included.

    Args:
        paces: as :func:`scan.note_paces` left them.
    """
    node = min(int(aos / step), nodes - 2)
    hold(w, node, step, rate, c, held)
    best, ra, _ = height_on(c, s, aos / step - node)
    best_at, ta = aos, aos
    while ta < los:
        node = min(int(ta / step + 1e-9), nodes - 2)
        parts = paces[node, PARTS]
        part = int((ta / step - node) * parts + 1e-9) + 1
        tb = min((node + part / parts) * step, los)
        if part < parts or tb >= los:
            hold(w, node, step, rate, c, held)
            value, rb, _ = height_on(c, s, tb / step - node)
            if tb >= los and value > best:
                best_at, best = los, value
        else:
            rb = climb_at(w, node + 1, s)
        if ra > 0.0 >= rb:
            hold(w, node, step, rate, c, held)
            u = summit_on(c, s, ta / step - node, tb / step - node)
            value, _, _ = height_on(c, s, u)
            if value > best:
                best_at, best = (node + u) * step, value
        ta, ra = tb, rb
    return best_at
