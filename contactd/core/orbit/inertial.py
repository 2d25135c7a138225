"""Frames that other people's states come in, turned into TEME of date and back.

Earth-fixed frames (all the ITRF issues, which agree to centimetres here) go by the project's own
rotation, without polar motion. Inertial frames, and the true equator and equinox of date (TOD), go
by skyfield's precession and IAU 2000A nutation.
The turning of TEME itself, 50 seconds of arc a year, is left out of velocities (0.05 mm/s).

Sources: AIAA 2006-6753 appendix C for TEME; IERS Conventions 2010 for the bias between GCRF and
EME2000; CCSDS 502.0-B-3, 3.2.3.3 and SANA's registry of frames for the names.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.instants import DAY_S, tt_julian
from contactd.core.orbit.frames import greenwich_mean_sidereal_angle

FloatArray = NDArray[np.float64]

KNOWN_FRAMES: Final = ("TEME", "ITRF (any year)", "EME2000", "GCRF", "ICRF", "TOD")

_ITRF = re.compile(r"ITRF?[-_]?(19|20)?\d{2}|ITRF")
_ALIASES: Final = {
    "J2000": "EME2000", "ICRF": "GCRF", "GCRS": "GCRF", "ICRS": "GCRF", "TOD_EARTH": "TOD",
}  # fmt: skip
INERTIAL_FRAMES: Final = ("EME2000", "GCRF", "TOD")
_GRID_S: Final = DAY_S / 4
_BLOCK: Final = 16


def frame_named(name: str) -> str | None:
    """``TEME``, ``ITRF``, ``EME2000``, ``GCRF`` or ``TOD`` for a name in a message, or None."""
    word = name.strip().upper()
    if _ITRF.fullmatch(word):
        return "ITRF"
    word = _ALIASES.get(word, word)
    return word if word == "TEME" or word in INERTIAL_FRAMES else None


def to_teme(
    frame: str, instants: FloatArray, position_km: FloatArray, velocity_km_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Positions (km) and velocities (km/s) in TEME of date, each ``[n, 3]``.

    Args:
        frame: as :func:`frame_named` gives it.
        instants: shape ``[n]`` (s).
        position_km, velocity_km_s: in that frame, shape ``[n, 3]``.

    Raises:
        ValueError: for another frame.
    """
    if frame == "TEME":
        return position_km, velocity_km_s
    if frame == "ITRF":
        return _spun(instants, position_km, velocity_km_s, 1.0)
    turn = inertial_to_teme(frame, instants)
    return (
        np.einsum("nij,nj->ni", turn, position_km),
        np.einsum("nij,nj->ni", turn, velocity_km_s),
    )


def from_teme(
    frame: str, instants: FloatArray, position_km: FloatArray, velocity_km_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The inverse of :func:`to_teme`, with the same shapes and errors."""
    if frame == "TEME":
        return position_km, velocity_km_s
    if frame == "ITRF":
        return _spun(instants, position_km, velocity_km_s, -1.0)
    turn = inertial_to_teme(frame, instants)
    return (
        np.einsum("nji,nj->ni", turn, position_km),
        np.einsum("nji,nj->ni", turn, velocity_km_s),
    )


def inertial_to_teme(frame: str, instants: FloatArray) -> FloatArray:
    """Matrices ``[n, 3, 3]`` that turn vectors of an inertial frame into TEME of date.

    They are interpolated in a grid of six hours; the fastest terms of nutation that matter take
    five days, so that less than 1e-10 rad is lost.

    Raises:
        ValueError: for a frame other than EME2000, GCRF and TOD.
    """
    if frame not in INERTIAL_FRAMES:
        raise ValueError(f"{frame!r} is no inertial frame that is known")
    at = np.asarray(instants, dtype=np.float64)
    where = at / _GRID_S
    index = np.floor(where).astype(np.int64)
    u = (where - index)[:, None, None]
    before, here, after, beyond = (_nodes(frame, index + k) for k in (-1, 0, 1, 2))
    # Cubic Lagrange through the nodes at -1, 0, 1 and 2.
    return np.asarray(
        -u * (u - 1) * (u - 2) / 6 * before
        + (u + 1) * (u - 1) * (u - 2) / 2 * here
        - (u + 1) * u * (u - 2) / 2 * after
        + (u + 1) * u * (u - 1) / 6 * beyond,
        dtype=np.float64,
    )


def _nodes(frame: str, index: NDArray[np.int64]) -> FloatArray:
    """Exact matrices ``[n, 3, 3]`` at nodes of the grid."""
    block = index // _BLOCK
    result = np.empty((len(index), 3, 3))
    for number in np.unique(block):
        mine = block == number
        result[mine] = _block(frame, int(number))[index[mine] - number * _BLOCK]
    return result


@lru_cache(maxsize=256)
def _block(frame: str, number: int) -> FloatArray:
    """Matrices ``[_BLOCK, 3, 3]`` at one block of nodes; nutation is slow to compute."""
    nodes = np.arange(number * _BLOCK, (number + 1) * _BLOCK, dtype=np.float64)
    return _exact(frame, nodes * _GRID_S)


def _exact(frame: str, instants: FloatArray) -> FloatArray:
    from skyfield.api import load
    from skyfield.framelib import ICRS_to_J2000, true_equator_and_equinox_of_date
    from skyfield.sgp4lib import TEME

    scale: Any = load.timescale(builtin=True)
    whole, fraction = tt_julian(instants)
    time = scale.tt_jd(whole, fraction)
    matrices = np.moveaxis(np.asarray(TEME.rotation_at(time)), 2, 0)
    if frame == "TOD":
        of_date = np.moveaxis(np.asarray(true_equator_and_equinox_of_date.rotation_at(time)), 2, 0)
        matrices = matrices @ np.swapaxes(of_date, -1, -2)
    if frame == "EME2000":
        matrices = matrices @ np.asarray(ICRS_to_J2000).T
    return np.asarray(matrices, dtype=np.float64)


def _spun(
    instants: FloatArray, position: FloatArray, velocity: FloatArray, sense: float
) -> tuple[FloatArray, FloatArray]:
    """From the rotating Earth to TEME (sense +1) or back (−1)."""
    angle, rate = greenwich_mean_sidereal_angle(instants)
    angle, rate = sense * angle, sense * rate
    sine, cosine = np.sin(angle), np.cos(angle)
    x, y = position[:, 0], position[:, 1]
    moving = np.stack(
        [velocity[:, 0] - rate * y, velocity[:, 1] + rate * x, velocity[:, 2]], axis=-1
    )

    def turned(v: FloatArray) -> FloatArray:
        return np.stack(
            [cosine * v[:, 0] - sine * v[:, 1], sine * v[:, 0] + cosine * v[:, 1], v[:, 2]],
            axis=-1,
        )

    return turned(position), turned(moving)
