"""Osculating states: position and velocity at one instant, from numbers of any kind.

Sources: Vallado, *Fundamentals of Astrodynamics and Applications*, algorithms 2 (KepEqtnE), 9
(RV2COE) and 10 (COE2RV); CCSDS 502.0-B-3 table 3-3 for what an OPM states.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.orbit.covariance import Covariance
from contactd.core.orbit.inertial import from_teme, to_teme

FloatArray = NDArray[np.float64]
Vector = tuple[float, float, float]

MU_KM3_S2: Final = 398_600.4418
"""WGS 84."""

_KEPLER_TOLERANCE: Final = 1e-14
_KEPLER_ROUNDS: Final = 60


@dataclass(frozen=True, slots=True)
class StateVector:
    """Where a satellite is and how it moves, at one instant.

    Attributes:
        epoch: instant (s).
        position_km, velocity_km_s: in TEME of date.
        covariance: how well both are known, where a message says it.
    """

    epoch: float
    position_km: Vector
    velocity_km_s: Vector
    covariance: Covariance | None = None


@dataclass(frozen=True, slots=True)
class KeplerElements:
    """Osculating elements of an ellipse.

    Attributes:
        epoch: instant (s).
        mean_anomaly_deg: at the epoch; see :func:`mean_anomaly_deg` for a true anomaly.
        mu_km3_s2: gravitational parameter that the elements were made with.
    """

    epoch: float
    semi_major_axis_km: float
    eccentricity: float
    inclination_deg: float
    raan_deg: float
    argument_of_perigee_deg: float
    mean_anomaly_deg: float
    mu_km3_s2: float = MU_KM3_S2


@dataclass(frozen=True, slots=True)
class Spacecraft:
    """What the air and the Sun act on.

    Attributes:
        drag_area_m2: as the air sees it; 0 leaves drag out.
        radiation_area_m2: as the Sun sees it; 0 leaves radiation pressure out.
        radiation_coefficient: 1 for a black body, 2 for a mirror that faces the Sun.
        density_factor: of the standard air's density, which the Sun's activity changes by a factor
            of three and more at 500 km.
    """

    mass_kg: float = 100.0
    drag_area_m2: float = 0.0
    drag_coefficient: float = 2.2
    density_factor: float = 1.0
    radiation_area_m2: float = 0.0
    radiation_coefficient: float = 1.3

    @property
    def radiation_term_m2_kg(self) -> float:
        """Coefficient times area by mass, for radiation pressure."""
        return self.radiation_coefficient * self.radiation_area_m2 / self.mass_kg

    @property
    def drag_term_m2_kg(self) -> float:
        """Coefficient times area by mass, times the density's factor."""
        return self.drag_coefficient * self.drag_area_m2 / self.mass_kg * self.density_factor


def state_from_cartesian(
    frame: str, epoch: float, position_km: Vector, velocity_km_s: Vector
) -> StateVector:
    """State from position (km) and velocity (km/s) in a frame of :mod:`.inertial`.

    Raises:
        ValueError: for a frame that is not known.
    """
    position, velocity = to_teme(
        frame, np.array([epoch]), np.array([position_km]), np.array([velocity_km_s])
    )
    return StateVector(epoch, _vector(position[0]), _vector(velocity[0]))


def state_from_kepler(elements: KeplerElements, frame: str = "TEME") -> StateVector:
    """State from osculating elements that refer to an inertial frame.

    Raises:
        ValueError: if they are no ellipse, or the frame is not known or turns with the Earth.
    """
    if not 0 <= elements.eccentricity < 1 or elements.semi_major_axis_km <= 0:
        raise ValueError("elements of an ellipse are expected: 0 <= e < 1 and a > 0")
    if frame == "ITRF":
        raise ValueError("elements in a frame that turns with the Earth have no meaning")
    eccentricity = elements.eccentricity
    anomaly = eccentric_anomaly_rad(np.radians(elements.mean_anomaly_deg), eccentricity)
    axis_ratio = np.sqrt(1 - eccentricity**2)
    a, mu = elements.semi_major_axis_km, elements.mu_km3_s2
    rate = np.sqrt(mu / a**3) / (1 - eccentricity * np.cos(anomaly))
    position = a * np.array([np.cos(anomaly) - eccentricity, axis_ratio * np.sin(anomaly), 0.0])
    velocity = a * rate * np.array([-np.sin(anomaly), axis_ratio * np.cos(anomaly), 0.0])
    turn = (
        _about_z(np.radians(elements.raan_deg))
        @ _about_x(np.radians(elements.inclination_deg))
        @ _about_z(np.radians(elements.argument_of_perigee_deg))
    )
    return state_from_cartesian(
        frame, elements.epoch, _vector(turn @ position), _vector(turn @ velocity)
    )


def kepler_from_state(state: StateVector, mu_km3_s2: float = MU_KM3_S2) -> KeplerElements:
    """Osculating elements (TEME of date) of an elliptic state.

    Where an orbit is circular or equatorial, the angles that lose their meaning are 0.

    Raises:
        ValueError: if the state is no ellipse about the Earth.
    """
    r, v = np.array(state.position_km), np.array(state.velocity_km_s)
    distance = float(np.linalg.norm(r))
    energy = float(v @ v) / 2 - mu_km3_s2 / distance
    momentum = np.cross(r, v)
    if energy >= 0 or np.linalg.norm(momentum) == 0:
        raise ValueError("the state is not bound to the Earth")
    a = -mu_km3_s2 / (2 * energy)
    towards = np.cross(v, momentum) / mu_km3_s2 - r / distance
    eccentricity = float(np.linalg.norm(towards))
    pole = momentum / np.linalg.norm(momentum)
    node = np.array([-pole[1], pole[0], 0.0])
    across = float(np.linalg.norm(node))
    node = node / across if across > 1e-11 else np.array([1.0, 0.0, 0.0])
    perigee = towards / eccentricity if eccentricity > 1e-11 else node
    return KeplerElements(
        state.epoch,
        a,
        eccentricity,
        float(np.degrees(np.arctan2(across, pole[2]))),
        float(np.degrees(np.arctan2(node[1], node[0])) % 360),
        float(np.degrees(_angle(node, perigee, pole)) % 360),
        # From the perigee as found: near a circle its error and this one's cancel.
        mean_anomaly_deg(float(np.degrees(_angle(perigee, r, pole))), eccentricity),
        mu_km3_s2,
    )


def mean_anomaly_deg(true_anomaly_deg: float, eccentricity: float) -> float:
    """Mean anomaly (deg, 0 to 360) of a true one."""
    true = np.radians(true_anomaly_deg)
    eccentric = np.arctan2(np.sqrt(1 - eccentricity**2) * np.sin(true), eccentricity + np.cos(true))
    return float(np.degrees(eccentric - eccentricity * np.sin(eccentric)) % 360)


def eccentric_anomaly_rad(mean_anomaly_rad: float, eccentricity: float) -> float:
    """Eccentric anomaly (rad) by Newton's method from a start that always converges.

    Source: Vallado, algorithm 2; the start is that of Danby and Burkardt (1983).
    """
    mean = float(np.remainder(mean_anomaly_rad, 2 * np.pi))
    guess = mean + 0.85 * eccentricity * float(np.sign(np.sin(mean)))
    for _ in range(_KEPLER_ROUNDS):
        step = (guess - eccentricity * np.sin(guess) - mean) / (1 - eccentricity * np.cos(guess))
        guess -= step
        if abs(step) < _KEPLER_TOLERANCE:
            break
    return float(guess)


def to_frame(state: StateVector, frame: str) -> tuple[Vector, Vector]:
    """Position (km) and velocity (km/s) of a state in another frame.

    Raises:
        ValueError: for a frame that is not known.
    """
    position, velocity = from_teme(
        frame,
        np.array([state.epoch]),
        np.array([state.position_km]),
        np.array([state.velocity_km_s]),
    )
    return _vector(position[0]), _vector(velocity[0])


def orbital_axes(position_km: FloatArray, velocity_km_s: FloatArray, frame: str) -> FloatArray:
    """Unit vectors of a local orbital frame as the rows of a ``[3, 3]``.

    Args:
        frame: ``RTN`` (or RSW: radial, transverse, normal) or ``TNW`` (along the velocity, in the
            plane, normal).

    Raises:
        ValueError: for another frame.

    Source: CCSDS 502.0-B-3, 3.2.4.11.
    """
    normal = np.cross(position_km, velocity_km_s)
    normal = normal / np.linalg.norm(normal)
    if frame in ("RTN", "RSW"):
        radial = position_km / np.linalg.norm(position_km)
        return np.array([radial, np.cross(normal, radial), normal])
    if frame == "TNW":
        along = velocity_km_s / np.linalg.norm(velocity_km_s)
        return np.array([along, np.cross(normal, along), normal])
    raise ValueError(f"{frame!r} is no local orbital frame; RTN or TNW is expected")


def _vector(values: FloatArray) -> Vector:
    return float(values[0]), float(values[1]), float(values[2])


def _angle(start: FloatArray, end: FloatArray, pole: FloatArray) -> float:
    """Angle (rad) from one vector to another, counted about a pole."""
    return float(np.arctan2(np.cross(start, end) @ pole, start @ end))


def _about_z(angle: float) -> FloatArray:
    sine, cosine = np.sin(angle), np.cos(angle)
    return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])


def _about_x(angle: float) -> FloatArray:
    sine, cosine = np.sin(angle), np.cos(angle)
    return np.array([[1.0, 0.0, 0.0], [0.0, cosine, -sine], [0.0, sine, cosine]])
