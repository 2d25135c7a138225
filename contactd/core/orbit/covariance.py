"""Covariance of a state, as messages carry it.

Source: CCSDS 502.0-B-3, tables 3-3 and 5-4 (lower triangle of position and velocity, in km², km²/s
and km²/s²) and annex F for the frames' names.
"""

from __future__ import annotations

from dataclasses import dataclass

Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Covariance:
    """How well a position and a velocity are known at one instant.

    Attributes:
        instant: of the state (s).
        matrix: six rows of six, symmetric, of X, Y, Z (km) and their rates (km/s), in RTN: radial,
            along the track (transverse), cross-track, whatever frame the message used.
    """

    instant: float
    matrix: Matrix
