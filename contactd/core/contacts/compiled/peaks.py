"""Finds the highest point of a contact on the polynomials."""

from __future__ import annotations

from contactd.core.contacts.compiled.kernel import LANES, kernel
from contactd.core.contacts.compiled.near_earth import VX, VY, VZ, X, Y, Z
from contactd.core.contacts.compiled.scan import samples_in
from contactd.core.contacts.compiled.segment import (
    FX,
    FY,
    FZ,
    UX,
    UY,
    UZ,
    axis_at,
    height_on,
    hold,
    place_of,
)


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
def single_peak(w, nodes, step, s, rate, c, held, aos, los, cuts):
    """Instant of the highest elevation of a contact that has one summit at most."""
    first, last = int(aos / step) + 1, min(int(los / step), nodes - 1)
    node = first
    while node <= last and climb_at(w, node, s) > 0.0:
        node += 1
    # The summit lies after node − 1 (or AOS) and before node (or LOS).
    begin = max((node - 1) * step, aos)
    end = min(node * step, los)
    if end <= begin:
        return begin
    node = min(node, nodes - 1) - 1
    hold(w, node, step, rate, c, held)
    low, high = begin / step - node, end / step - node
    if cuts != 0:
        _, slope, _ = height_on(c, s, low)
        if slope <= 0.0:
            return begin
        _, slope, _ = height_on(c, s, high)
        if slope > 0.0:
            return end
    return (node + summit_on(c, s, low, high)) * step


@kernel
def highest_peak(w, nodes, step, s, rate, c, held, aos, los):
    """Instant of the highest elevation between ``aos`` and ``los``, edges included."""
    node = min(int(aos / step), nodes - 2)
    hold(w, node, step, rate, c, held)
    best, ra, _ = height_on(c, s, aos / step - node)
    best_at, ta = aos, aos
    while ta < los:
        node = min(int(ta / step + 1e-9), nodes - 2)
        parts = samples_in(w, node, step)
        part = int((ta / step - node) * parts + 1e-9) + 1
        tb = min((node + part / parts) * step, los)
        hold(w, node, step, rate, c, held)
        value, rb, _ = height_on(c, s, tb / step - node)
        if tb >= los and value > best:
            best_at, best = los, value
        if ra > 0.0 >= rb:
            u = summit_on(c, s, ta / step - node, tb / step - node)
            value, _, _ = height_on(c, s, u)
            if value > best:
                best_at, best = (node + u) * step, value
        ta, ra = tb, rb
    return best_at
