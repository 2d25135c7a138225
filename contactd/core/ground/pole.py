"""Polar motion: where stations stand to the axis about which the Earth really turns.

The pole wanders within half a second of arc, 15 m on the ground: 2 ms of a low satellite's way. It
moves stations rather than satellites: one and the same rotation of small angles. In a month it
changes by less than 0.1 seconds of arc.

Source: IERS Conventions 2010 (TN 36), 5.4.1, without the small angle s'.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Final

import numpy as np

from contactd.core.ground.look import east_north_up
from contactd.core.ground.station import Station
from contactd.core.instants import utc_julian
from contactd.core.orbit.frames import polar_motion_matrix
from contactd.core.ut1_tables import MJD_ZERO, Pole, installed_pole

_LARGEST_ARCSEC: Final = 1.0


def pole_at(instant: float, table: Pole | None = None) -> tuple[float, float] | None:
    """The pole's coordinates x and y (arcsec) at an instant (s); None where no table says them.

    Args:
        table: None for the installed one.
    """
    known = table if table is not None else _installed()
    if known is None:
        return None
    whole, part = utc_julian(np.array([instant]))
    day = float(whole[0] - MJD_ZERO + part[0])
    if not known.mjd[0] <= day <= known.mjd[-1]:
        return None
    x = float(np.interp(day, known.mjd, known.x_arcsec))
    y = float(np.interp(day, known.mjd, known.y_arcsec))
    return x, y


@cache
def _installed() -> Pole | None:
    return installed_pole()


def turned_with_pole(station: Station, pole_arcsec: tuple[float, float]) -> Station:
    """The station where it stands to the axis of rotation.

    Its height stays: along the ellipsoid a turn of half a second of arc changes it by centimetres.

    Args:
        pole_arcsec: x and y of the pole.
    """
    assert max(map(abs, pole_arcsec)) < _LARGEST_ARCSEC
    up = east_north_up(station.latitude_deg, station.longitude_deg)[2]
    turned = polar_motion_matrix(*pole_arcsec).T @ up
    return replace(
        station,
        latitude_deg=float(np.degrees(np.arcsin(np.clip(turned[2], -1.0, 1.0)))),
        longitude_deg=float(np.degrees(np.arctan2(turned[1], turned[0]))),
    )
