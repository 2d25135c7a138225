"""Covariance as orbit messages write it: from any frame that is read into RTN.

Source: CCSDS 502.0-B-3, tables 3-3 and 5-4 (lower triangle of position and velocity) and 3.2.4.11
(frames RTN and TNW). Local frames are taken as those of the instant, not turning: a covariance of
the velocity is turned as the velocity itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.orbit.covariance import Covariance
from contactd.core.orbit.frames import greenwich_mean_sidereal_angle
from contactd.core.orbit.inertial import KNOWN_FRAMES, frame_named, inertial_to_teme
from contactd.core.orbit.states import orbital_axes
from contactd.core.orbit.text import Field, number_of

FloatArray = NDArray[np.float64]

_AXES: Final = ("X", "Y", "Z", "X_DOT", "Y_DOT", "Z_DOT")
COVARIANCE_KEYS: Final = tuple(
    f"C{row}_{column}" for number, row in enumerate(_AXES) for column in _AXES[: number + 1]
)
"""The lower triangle's keywords, row by row: ``CX_X``, ``CY_X``, ``CY_Y`` …"""
_LOCAL_FRAMES: Final = ("RTN", "RSW", "TNW")
_SLACK: Final = 1e-6


@dataclass(slots=True)
class WrittenCovariance:
    """One covariance, still as written: its epoch, frame, and the values row by row.

    Attributes:
        frame: None for the frame of the states.
    """

    epoch: Field | None = None
    frame: Field | None = None
    values: list[Field] = field(default_factory=list)


def covariance_of_keys(fields: Mapping[str, Field]) -> WrittenCovariance | None:
    """A covariance that is given keyword by keyword; None if there is none.

    Raises:
        InputError: if only some of its 21 elements are given.
    """
    given = [key for key in COVARIANCE_KEYS if key in fields and fields[key].text]
    if not given:
        return None
    for key in COVARIANCE_KEYS:
        if key not in given:
            raise fields[given[0]].error(f"all 21 elements of the covariance ({key} is missing)")
    values = [fields[key] for key in COVARIANCE_KEYS]
    stated = fields.get("COV_REF_FRAME")
    return WrittenCovariance(frame=stated if stated and stated.text else None, values=values)


def covariance_in_rtn(
    written: WrittenCovariance,
    instant: float,
    states_frame: str,
    position_km: FloatArray,
    velocity_km_s: FloatArray,
) -> Covariance | None:
    """The covariance in RTN; None if the matrix cannot be one (then nothing is known by it).

    Args:
        instant: of the state (s).
        states_frame: as :func:`contactd.core.orbit.inertial.frame_named` gives it.
        position_km, velocity_km_s: in TEME of date, shape ``[3]``.

    Raises:
        InputError: for an unknown frame, or what is no number.
    """
    matrix = _matrix(written.values)
    if not _is_possible(matrix):
        return None
    turn = _to_rtn(written.frame, states_frame, instant, position_km, velocity_km_s)
    turned = turn @ matrix @ turn.T
    turned = (turned + turned.T) / 2
    return Covariance(instant, tuple(tuple(map(float, row)) for row in turned))


def _matrix(values: Sequence[Field]) -> FloatArray:
    matrix = np.zeros((6, 6))
    matrix[np.tril_indices(6)] = [number_of(each) for each in values]
    return np.asarray(matrix + np.tril(matrix, -1).T, dtype=np.float64)


def _is_possible(matrix: FloatArray) -> bool:
    """Whether variances are positive and no correlation exceeds one."""
    variances = np.diag(matrix)
    if (variances <= 0.0).any():
        return False
    sigma = np.sqrt(variances)
    correlation = matrix / np.outer(sigma, sigma)
    return bool(np.linalg.eigvalsh(correlation).min() > -_SLACK)


def _to_rtn(
    stated: Field | None,
    states_frame: str,
    instant: float,
    position: FloatArray,
    velocity: FloatArray,
) -> FloatArray:
    """The matrix ``[6, 6]`` from the covariance's frame into RTN."""
    axes = orbital_axes(position, velocity, "RTN")
    name = states_frame if stated is None else stated.text.upper()
    if name in _LOCAL_FRAMES:
        return _twice(axes @ orbital_axes(position, velocity, name).T)
    frame = frame_named(name)
    if frame is None:
        assert stated is not None
        raise stated.error(f"one of {', '.join((*KNOWN_FRAMES, *_LOCAL_FRAMES))}")
    if frame == "TEME":
        return _twice(axes)
    at = np.array([instant])
    if frame != "ITRF":
        return _twice(axes @ inertial_to_teme(frame, at)[0])
    angle, rate = greenwich_mean_sidereal_angle(at)
    sine, cosine, turning = float(np.sin(angle[0])), float(np.cos(angle[0])), float(rate[0])
    spin = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    # A velocity of the rotating frame lacks what the rotation adds to it.
    added = np.array([[0.0, -turning, 0.0], [turning, 0.0, 0.0], [0.0, 0.0, 0.0]])
    whole = _twice(axes @ spin)
    whole[3:, :3] = axes @ spin @ added
    return whole


def _twice(turn: FloatArray) -> FloatArray:
    whole = np.zeros((6, 6))
    whole[:3, :3] = whole[3:, 3:] = turn
    return whole
