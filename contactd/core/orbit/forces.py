"""Forces on a satellite: the Earth's field, its air, the Sun and the Moon.

Plain floats instead of arrays: an integrator asks for one state at a time, and arrays of three
would cost ten times as much.

Sources: EGM96 (Lemoine et al., NASA/TP-1998-206861), fully normalised, to degree and order 4;
the recursion of Cunningham as in Montenbruck and Gill, *Satellite Orbits*, section 3.2.5; the
exponential air of Vallado, *Fundamentals of Astrodynamics and Applications*, table 8-4; the Sun and
the Moon as points of mass (Montenbruck and Gill, section 3.3).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from contactd.core.orbit.frames import greenwich_mean_sidereal_angle
from contactd.core.orbit.moon import moon_position_km
from contactd.core.orbit.states import Spacecraft
from contactd.core.orbit.sun import sun_position_km

MU_KM3_S2: Final = 398_600.4415
EARTH_RADIUS_KM: Final = 6378.1363
MU_SUN_KM3_S2: Final = 1.32712440018e11
MU_MOON_KM3_S2: Final = 4902.800066
GREATEST_DEGREE: Final = 4
_FLATTENING: Final = 1.0 / 298.257223563
_BODY_GRID_S: Final = 7_200.0

# (degree, order): normalised C and S.
_EGM96: Final = {
    (2, 0): (-4.84165371736e-4, 0.0),
    (2, 1): (-1.86987635955e-10, 1.19528012031e-9),
    (2, 2): (2.43914352398e-6, -1.40016683654e-6),
    (3, 0): (9.57254173792e-7, 0.0),
    (3, 1): (2.02998882184e-6, 2.48513158716e-7),
    (3, 2): (9.04627768605e-7, -6.19025944205e-7),
    (3, 3): (7.21072657057e-7, 1.41435626958e-6),
    (4, 0): (5.39873863789e-7, 0.0),
    (4, 1): (-5.36321616971e-7, -4.73440265853e-7),
    (4, 2): (3.50694105785e-7, 6.62671572540e-7),
    (4, 3): (9.90771803829e-7, -2.00928369177e-7),
    (4, 4): (-1.88560802735e-7, 3.08853169333e-7),
}

# Base altitude (km), density there (kg/m³), scale height (km).
_AIR: Final = (
    (0, 1.225, 7.249), (25, 3.899e-2, 6.349), (30, 1.774e-2, 6.682), (40, 3.972e-3, 7.554),
    (50, 1.057e-3, 8.382), (60, 3.206e-4, 7.714), (70, 8.770e-5, 6.549), (80, 1.905e-5, 5.799),
    (90, 3.396e-6, 5.382), (100, 5.297e-7, 5.877), (110, 9.661e-8, 7.263), (120, 2.438e-8, 9.473),
    (130, 8.484e-9, 12.636), (140, 3.845e-9, 16.149), (150, 2.070e-9, 22.523),
    (180, 5.464e-10, 29.740), (200, 2.789e-10, 37.105), (250, 7.248e-11, 45.546),
    (300, 2.418e-11, 53.628), (350, 9.518e-12, 53.298), (400, 3.725e-12, 58.515),
    (450, 1.585e-12, 60.828), (500, 6.967e-13, 63.822), (600, 1.454e-13, 71.835),
    (700, 3.614e-14, 88.667), (800, 1.170e-14, 124.64), (900, 5.245e-15, 181.05),
    (1000, 3.019e-15, 268.00),
)  # fmt: skip
_AIR_BASES: Final = [base for base, _, _ in _AIR]

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Forces:
    """Which forces act.

    Attributes:
        gravity_degree: 0 (a point of mass) to 4.
        zonal_only: leave out what turns with the Earth.
        drag: needs a drag area of the spacecraft too.
    """

    gravity_degree: int = GREATEST_DEGREE
    zonal_only: bool = False
    drag: bool = True
    sun: bool = True
    moon: bool = True

    def __post_init__(self) -> None:
        if not 0 <= self.gravity_degree <= GREATEST_DEGREE:
            raise ValueError(f"gravity_degree is {self.gravity_degree}; 0 to 4 is expected")


def unnormalised(degree: int, order: int) -> tuple[float, float]:
    """EGM96's C and S without normalisation (Montenbruck and Gill, equation 3.13)."""
    factor = math.sqrt(
        (1 if order == 0 else 2)
        * (2 * degree + 1)
        * math.factorial(degree - order)
        / math.factorial(degree + order)
    )
    c, s = _EGM96[degree, order]
    return c * factor, s * factor


def air_density_kg_m3(altitude_km: float) -> float:
    """Density of standard air, without the Sun's activity.

    Source: Vallado, table 8-4.
    """
    base, density, scale = _AIR[max(bisect_right(_AIR_BASES, altitude_km) - 1, 0)]
    return density * math.exp(-(altitude_km - base) / scale)


class Gravity:
    """Acceleration (km/s²) by the Earth's field at an Earth-fixed position (km)."""

    def __init__(self, degree: int = GREATEST_DEGREE, zonal_only: bool = False) -> None:
        self._degree = degree
        self._terms = [
            (n, m, *unnormalised(n, m))
            for n in range(2, degree + 1)
            for m in range((0 if zonal_only else n) + 1)
        ]

    def __call__(self, x: float, y: float, z: float) -> Triple:
        r2 = x * x + y * y + z * z
        if not self._terms:
            pull = -MU_KM3_S2 / (r2 * math.sqrt(r2))
            return pull * x, pull * y, pull * z
        v, w = self._harmonics(x, y, z, r2)
        # The central part is the term of degree 0.
        ax, ay, az = -v[1][1], -w[1][1], -v[1][0]
        for n, m, c, s in self._terms:
            k = n + 1
            if m == 0:
                ax -= c * v[k][1]
                ay -= c * w[k][1]
            else:
                f = (n - m + 1) * (n - m + 2)
                up, down = m + 1, m - 1
                ax += 0.5 * (-c * v[k][up] - s * w[k][up] + f * (c * v[k][down] + s * w[k][down]))
                ay += 0.5 * (-c * w[k][up] + s * v[k][up] + f * (-c * w[k][down] + s * v[k][down]))
            az += (n - m + 1) * (-c * v[k][m] - s * w[k][m])
        scale = MU_KM3_S2 / (EARTH_RADIUS_KM * EARTH_RADIUS_KM)
        return ax * scale, ay * scale, az * scale

    def _harmonics(
        self, x: float, y: float, z: float, r2: float
    ) -> tuple[list[list[float]], list[list[float]]]:
        """V and W by degree and order, to one degree more than the field's."""
        size = self._degree + 2
        q = EARTH_RADIUS_KM / r2
        px, py, pz, rho = x * q, y * q, z * q, EARTH_RADIUS_KM * q
        v = [[0.0] * (size + 1) for _ in range(size)]
        w = [[0.0] * (size + 1) for _ in range(size)]
        v[0][0] = EARTH_RADIUS_KM / math.sqrt(r2)
        for m in range(size):
            if m:
                a, b = v[m - 1][m - 1], w[m - 1][m - 1]
                v[m][m] = (2 * m - 1) * (px * a - py * b)
                w[m][m] = (2 * m - 1) * (px * b + py * a)
            for n in range(m + 1, size):
                first, second = (2 * n - 1) / (n - m) * pz, (n + m - 1) / (n - m) * rho
                v[n][m] = first * v[n - 1][m] - (second * v[n - 2][m] if n > m + 1 else 0.0)
                w[n][m] = first * w[n - 1][m] - (second * w[n - 2][m] if n > m + 1 else 0.0)
        return v, w


class _Body:
    """A body's place as cubic splines of time since the epoch."""

    def __init__(
        self, place: Callable[[np.ndarray], np.ndarray], epoch: float, start_s: float, end_s: float
    ) -> None:
        from scipy.interpolate import CubicSpline

        count = max(int((end_s - start_s) / _BODY_GRID_S) + 3, 6)
        nodes = start_s - _BODY_GRID_S / 2 + _BODY_GRID_S * np.arange(count)
        spline = CubicSpline(nodes, place(epoch + nodes))
        self._first = float(nodes[0])
        self._last = count - 2
        self._coefficients = np.moveaxis(spline.c, 1, 0).reshape(count - 1, 12).tolist()

    def __call__(self, t: float) -> Triple:
        index = min(max(int((t - self._first) / _BODY_GRID_S), 0), self._last)
        u = t - self._first - index * _BODY_GRID_S
        c = self._coefficients[index]
        return (
            ((c[0] * u + c[3]) * u + c[6]) * u + c[9],
            ((c[1] * u + c[4]) * u + c[7]) * u + c[10],
            ((c[2] * u + c[5]) * u + c[8]) * u + c[11],
        )


class Acceleration:
    """All accelerations (km/s²) in the inertial frame that is TEME at the epoch.

    Args:
        epoch: instant (s) that times are counted from.
        start_s, end_s: between which times (s since the epoch) it will be asked.
    """

    def __init__(
        self, forces: Forces, spacecraft: Spacecraft, epoch: float, start_s: float, end_s: float
    ) -> None:
        self._gravity = Gravity(forces.gravity_degree, forces.zonal_only)
        angle, rate = greenwich_mean_sidereal_angle(np.array([epoch]))
        self._angle, self._rate = float(angle[0]), float(rate[0])
        # km/s² from m²/kg · kg/m³ · (km/s)²: a thousand.
        self._drag = 500.0 * spacecraft.drag_term_m2_kg if forces.drag else 0.0
        self._bodies = []
        if forces.sun:
            self._bodies.append((MU_SUN_KM3_S2, _Body(sun_position_km, epoch, start_s, end_s)))
        if forces.moon:
            self._bodies.append((MU_MOON_KM3_S2, _Body(moon_position_km, epoch, start_s, end_s)))

    def __call__(self, t: float, state: np.ndarray) -> list[float]:
        """Derivative of a state ``[6]`` (km, km/s) at ``t`` seconds since the epoch."""
        x, y, z, vx, vy, vz = state.tolist()
        angle = self._angle + self._rate * t
        sine, cosine = math.sin(angle), math.cos(angle)
        fx, fy, az = self._gravity(cosine * x + sine * y, cosine * y - sine * x, z)
        ax, ay = cosine * fx - sine * fy, sine * fx + cosine * fy
        for mu, body in self._bodies:
            bx, by, bz = body(t)
            dx, dy, dz = bx - x, by - y, bz - z
            near = mu / (dx * dx + dy * dy + dz * dz) ** 1.5
            far = mu / (bx * bx + by * by + bz * bz) ** 1.5
            ax += near * dx - far * bx
            ay += near * dy - far * by
            az += near * dz - far * bz
        if self._drag:
            wx, wy = vx + self._rate * y, vy - self._rate * x
            push = (
                -self._drag
                * air_density_kg_m3(altitude_km(x, y, z))
                * math.sqrt(wx * wx + wy * wy + vz * vz)
            )
            ax += push * wx
            ay += push * wy
            az += push * vz
        return [vx, vy, vz, ax, ay, az]


def altitude_km(x: float, y: float, z: float) -> float:
    """Height above the ellipsoid, good to 50 m in low orbits."""
    r2 = x * x + y * y + z * z
    return math.sqrt(r2) - EARTH_RADIUS_KM * (1.0 - _FLATTENING * z * z / r2)
