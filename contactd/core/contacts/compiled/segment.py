"""The quintic segment between two nodes, and what a station sees of it.

The same polynomials as the plain path's motion, one segment at a time.
"""

from __future__ import annotations

import math

from contactd.core.contacts.compiled.kernel import LANES, inlined, kernel
from contactd.core.contacts.compiled.near_earth import ROWS, VX, VY, X, Y, Z

MU_KM3_S2 = 398_600.4418
J2_TERM = 1.5 * 1.08262668e-3 * 6378.137**2
SEGMENT = 18

# Columns of the stations' table.
FX, FY, FZ, UX, UY, UZ, EX, EY, NX, NY, NZ, SINE, MASKED = range(13)
STATION_COLUMNS = 13


@inlined
def place_of(node):
    """Where row 0 of a node lies in the blocks."""
    return (node // LANES) * (ROWS * LANES) + node % LANES


@inlined
def acceleration(x, y, z, vx, vy, rate):
    """Acceleration (km/s²) by gravity to J2, as the rotating Earth sees it."""
    square = x * x + y * y + z * z
    level = -MU_KM3_S2 / (square * math.sqrt(square))
    oblate = J2_TERM / square
    share = z * z / square
    across = level * (1.0 + oblate * (1.0 - 5.0 * share))
    return (
        across * x + 2.0 * rate * vy + rate * rate * x,
        across * y - 2.0 * rate * vx + rate * rate * y,
        level * (1.0 + oblate * (3.0 - 5.0 * share)) * z,
    )


@kernel
def make_segment(w, node, step, rate, out):
    """Coefficients of the segment from ``node`` to the next into ``out``: x, y, z, 6 each."""
    a, b = place_of(node), place_of(node + 1)
    ax, ay, az = acceleration(
        w[a + X * LANES], w[a + Y * LANES], w[a + Z * LANES],
        w[a + VX * LANES], w[a + VY * LANES], rate,
    )  # fmt: skip
    bx, by, bz = acceleration(
        w[b + X * LANES], w[b + Y * LANES], w[b + Z * LANES],
        w[b + VX * LANES], w[b + VY * LANES], rate,
    )  # fmt: skip
    square = step * step
    for axis in range(3):
        p0, p1 = w[a + (X + axis) * LANES], w[b + (X + axis) * LANES]
        v0, v1 = w[a + (VX + axis) * LANES] * step, w[b + (VX + axis) * LANES] * step
        q0 = (ax if axis == 0 else (ay if axis == 1 else az)) * square
        q1 = (bx if axis == 0 else (by if axis == 1 else bz)) * square
        gap = p1 - p0 - v0 - 0.5 * q0
        turn = v1 - v0 - q0
        bend = q1 - q0
        at = 6 * axis
        out[at] = p0
        out[at + 1] = v0
        out[at + 2] = 0.5 * q0
        out[at + 3] = 10.0 * gap - 4.0 * turn + 0.5 * bend
        out[at + 4] = -15.0 * gap + 7.0 * turn - bend
        out[at + 5] = 6.0 * gap - 3.0 * turn + 0.5 * bend


@kernel
def hold(w, node, step, rate, c, held):
    """Load a node's segment coefficients into ``c`` unless ``held[0]`` says they are there."""
    if held[0] != node:
        make_segment(w, node, step, rate, c)
        held[0] = node


@inlined
def axis_at(c, at, u):
    """Value, slope and bend (per step) of one axis at a share ``u`` of the segment."""
    c5 = c[at + 5]
    c4, c3, c2, c1 = c[at + 4], c[at + 3], c[at + 2], c[at + 1]
    value = c[at] + u * (c1 + u * (c2 + u * (c3 + u * (c4 + u * c5))))
    slope = c1 + u * (2.0 * c2 + u * (3.0 * c3 + u * (4.0 * c4 + u * 5.0 * c5)))
    bend = 2.0 * c2 + u * (6.0 * c3 + u * (12.0 * c4 + u * 20.0 * c5))
    return value, slope, bend


@inlined
def clearance(s, x, y, z, vx, vy, vz):
    """Height (km) over the cone of the station's least elevation, and its rate (per unit of v)."""
    dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
    distance = math.sqrt(dx * dx + dy * dy + dz * dz)
    rate = (dx * vx + dy * vy + dz * vz) / distance
    up = s[UX] * dx + s[UY] * dy + s[UZ] * dz
    climb = s[UX] * vx + s[UY] * vy + s[UZ] * vz
    return up - s[SINE] * distance, climb - s[SINE] * rate


@inlined
def clearance_bend(s, x, y, z, vx, vy, vz, ax, ay, az):
    """Second rate of the clearance."""
    dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
    inverse = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
    along = (dx * vx + dy * vy + dz * vz) * inverse
    speed = vx * vx + vy * vy + vz * vz
    outward = (speed + dx * ax + dy * ay + dz * az - along * along) * inverse
    return s[UX] * ax + s[UY] * ay + s[UZ] * az - s[SINE] * outward


@inlined
def height(s, x, y, z, vx, vy, vz, ax, ay, az):
    """Sine of the elevation, its first and its second rate."""
    dx, dy, dz = x - s[FX], y - s[FY], z - s[FZ]
    inverse = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
    along = (dx * vx + dy * vy + dz * vz) * inverse
    speed = vx * vx + vy * vy + vz * vz
    outward = (speed + dx * ax + dy * ay + dz * az - along * along) * inverse
    sine = (s[UX] * dx + s[UY] * dy + s[UZ] * dz) * inverse
    rate = (s[UX] * vx + s[UY] * vy + s[UZ] * vz - sine * along) * inverse
    bend = (s[UX] * ax + s[UY] * ay + s[UZ] * az - 2.0 * rate * along - sine * outward) * inverse
    return sine, rate, bend


@inlined
def clearance_on(c, s, u):
    """Clearance and its rate per step at a share ``u`` of a segment."""
    x, vx, _ = axis_at(c, 0, u)
    y, vy, _ = axis_at(c, 6, u)
    z, vz, _ = axis_at(c, 12, u)
    return clearance(s, x, y, z, vx, vy, vz)


@inlined
def height_on(c, s, u):
    """Sine of the elevation and its rates per step at a share ``u`` of a segment."""
    x, vx, ax = axis_at(c, 0, u)
    y, vy, ay = axis_at(c, 6, u)
    z, vz, az = axis_at(c, 12, u)
    return height(s, x, y, z, vx, vy, vz, ax, ay, az)
