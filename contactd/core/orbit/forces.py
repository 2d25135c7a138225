"""Forces on a satellite: the Earth's field, its air, the Sun and the Moon, and sunlight.

Plain floats instead of arrays of three, which would cost ten times as much: an integrator asks for
one state at a time.

Left out: the field beyond degree 20, tides of the solid Earth and the oceans, light that the Earth
reflects, relativity, and all that the Sun's activity does to the air.

Sources: EGM2008 to degree and order 20 (:mod:`egm2008`); the recursion of Cunningham as in
Montenbruck and Gill, *Satellite Orbits*, section 3.2.5; the exponential air of Vallado,
*Fundamentals of Astrodynamics and Applications*, table 8-4; the Sun and the Moon as points of mass
and radiation pressure on a sphere (Montenbruck and Gill, sections 3.3 and 3.4), in the shadow of
:mod:`eclipse`; the Sun's radiation 1361 W/m² at one astronomical unit (IAU 2015 Resolution B3).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.orbit.eclipse import visible_part
from contactd.core.orbit.egm2008 import GREATEST_DEGREE, MU_KM3_S2, NORMALISED, RADIUS_KM
from contactd.core.orbit.frames import greenwich_mean_sidereal_angle
from contactd.core.orbit.moon import moon_position_km
from contactd.core.orbit.states import Spacecraft
from contactd.core.orbit.sun import ASTRONOMICAL_UNIT_KM, sun_position_km

EARTH_RADIUS_KM: Final = RADIUS_KM
MU_SUN_KM3_S2: Final = 1.32712440018e11
MU_MOON_KM3_S2: Final = 4902.800066
PRESSURE_N_M2: Final = 1361.0 / 299_792_458.0
"""Of sunlight on a black surface, one astronomical unit from the Sun."""
_FLATTENING: Final = 1.0 / 298.257223563
_BODY_GRID_S: Final = 7_200.0

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
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Forces:
    """Which forces act.

    Attributes:
        gravity_degree: 0 (a point of mass) to 20, of EGM2008.
        zonal_only: leave out what turns with the Earth.
        drag: needs a drag area of the spacecraft too.
        radiation: radiation pressure; needs a radiation area of the spacecraft too.
    """

    gravity_degree: int = GREATEST_DEGREE
    zonal_only: bool = False
    drag: bool = True
    radiation: bool = True
    sun: bool = True
    moon: bool = True

    def __post_init__(self) -> None:
        if not 0 <= self.gravity_degree <= GREATEST_DEGREE:
            expected = f"0 to {GREATEST_DEGREE} is expected"
            raise ValueError(f"gravity_degree is {self.gravity_degree}; {expected}")


def in_words(forces: Forces, spacecraft: Spacecraft) -> str:
    """Which forces act on a spacecraft, for people."""
    acting = [f"EGM2008 to degree {forces.gravity_degree}"]
    acting += [name for name, acts in (("Sun", forces.sun), ("Moon", forces.moon)) if acts]
    left_out = []
    for name, acts, area_m2 in (
        ("air", forces.drag, spacecraft.drag_area_m2),
        ("sunlight", forces.radiation, spacecraft.radiation_area_m2),
    ):
        if acts and area_m2:
            acting.append(f"{name} on {area_m2:g} m²")
        else:
            left_out.append(name)
    return ", ".join(acting) + (f"; without {' and '.join(left_out)}" if left_out else "")


def unnormalised(degree: int, order: int) -> tuple[float, float]:
    """EGM2008's C and S without normalisation (Montenbruck and Gill, equation 3.13)."""
    factor = math.sqrt(
        (1 if order == 0 else 2)
        * (2 * degree + 1)
        * math.factorial(degree - order)
        / math.factorial(degree + order)
    )
    c, s = NORMALISED[degree, order]
    return c * factor, s * factor


def air_density_kg_m3(altitude_km: float) -> float:
    """Density of standard air, without the Sun's activity.

    Source: Vallado, table 8-4.
    """
    base, density, scale = _AIR[max(bisect_right(_AIR_BASES, altitude_km) - 1, 0)]
    return density * math.exp(-(altitude_km - base) / scale)


class Gravity:
    """Acceleration (km/s²) by the Earth's field at an Earth-fixed position (km).

    The functions V and W of a degree follow from those of the two degrees before for all orders at
    once, as the parts of one complex number; one object serves one thread.
    """

    def __init__(self, degree: int = GREATEST_DEGREE, zonal_only: bool = False) -> None:
        size = degree + 2
        self._degree = degree
        self._functions = np.zeros((size, size), dtype=np.complex128)
        self._flat = self._functions.reshape(-1)
        self._steps = []
        for n in range(1, size):
            m = np.arange(n)
            self._steps.append(
                (
                    self._functions[n, :n],
                    self._functions[n - 1, :n],
                    self._functions[n - 2, :n] if n > 1 else np.zeros(n, dtype=np.complex128),
                    (2 * n - 1) / (n - m),
                    (n + m - 1) / (n - m),
                )
            )
        self._up, self._down, self._along = self._weights(degree, zonal_only)

    def _weights(
        self, degree: int, zonal_only: bool
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """What each function counts for, of order one higher, one lower, and the same.

        Source: Montenbruck and Gill, equation 3.33; there C V + S W is the real part of
        (C − iS)(V + iW).
        """
        up, down, along = (np.zeros_like(self._functions) for _ in range(3))
        for n in (0, *range(2, degree + 1)):
            for m in range((0 if zonal_only else n) + 1):
                c, s = unnormalised(n, m) if n else (1.0, 0.0)
                k = complex(c, -s)
                along[n + 1, m] -= (n - m + 1) * k
                up[n + 1, m + 1] -= k if m == 0 else 0.5 * k
                if m:
                    down[n + 1, m - 1] += 0.5 * (n - m + 1) * (n - m + 2) * k
        return up.reshape(-1), down.reshape(-1), along.reshape(-1)

    def __call__(self, x: float, y: float, z: float) -> Triple:
        r2 = x * x + y * y + z * z
        q = EARTH_RADIUS_KM / r2
        pz, rho, across = z * q, EARTH_RADIUS_KM * q, complex(x, y) * q
        functions = self._functions
        corner = complex(EARTH_RADIUS_KM / math.sqrt(r2))
        functions[0, 0] = corner
        for n, (row, before, two_before, first, second) in enumerate(self._steps, start=1):
            np.multiply(before, first * pz, out=row)
            row -= two_before * (second * rho)
            corner *= (2 * n - 1) * across
            functions[n, n] = corner
        higher, lower = complex(self._up @ self._flat), complex(self._down @ self._flat)
        scale = MU_KM3_S2 / (EARTH_RADIUS_KM * EARTH_RADIUS_KM)
        return (
            (higher.real + lower.real) * scale,
            (higher.imag - lower.imag) * scale,
            complex(self._along @ self._flat).real * scale,
        )


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
        # km/s² from N/m² · m²/kg: a thousandth.
        self._light = spacecraft.radiation_term_m2_kg / 1000.0 if forces.radiation else 0.0
        self._bodies = []
        self._sun = _Body(sun_position_km, epoch, start_s, end_s)
        if forces.sun:
            self._bodies.append((MU_SUN_KM3_S2, self._sun))
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
        if self._light:
            sx, sy, sz = self._sun(t)
            dx, dy, dz = x - sx, y - sy, z - sz
            square = dx * dx + dy * dy + dz * dz
            push = (
                self._light
                * PRESSURE_N_M2
                * ASTRONOMICAL_UNIT_KM**2
                / (square * math.sqrt(square))
                * visible_part(x, y, z, sx, sy, sz)
            )
            ax += push * dx
            ay += push * dy
            az += push * dz
        return [vx, vy, vz, ax, ay, az]


def altitude_km(x: float, y: float, z: float) -> float:
    """Height above the ellipsoid, good to 50 m in low orbits."""
    r2 = x * x + y * y + z * z
    return math.sqrt(r2) - EARTH_RADIUS_KM * (1.0 - _FLATTENING * z * z / r2)
