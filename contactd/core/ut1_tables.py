"""Tables of UT1: what skyfield bundles, and the newer one of ``astropy-iers-data`` if it is there.

Source: IERS, ``readme.finals2000A``: columns 8 to 15 hold the modified Julian date, 58 whether UT1
was measured (I) or is predicted (P), 59 to 68 UT1 − UTC in seconds; 17 the same of the pole, 19 to
27 and 38 to 46 its coordinates x and y in seconds of arc. It predicts a year ahead.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MJD_ZERO: Final = 2_400_000.5
_TT_MINUS_TAI_S: Final = 32.184
_DAY_S: Final = 86_400.0
PREDICTED_DAYS: Final = 365.0
_ROW_BYTES: Final = 188
_ROWS_READ: Final = 1_500


class Finals(NamedTuple):
    """The newest rows of an IERS table, one a day.

    Attributes:
        mjd: days in UTC, modified Julian dates, shape ``[n]``.
        ut1_minus_utc_s: shape ``[n]``.
        measured_until_mjd: the last day that was measured; the ones after it are predicted.
    """

    mjd: FloatArray
    ut1_minus_utc_s: FloatArray
    measured_until_mjd: float


class Ut1Table(NamedTuple):
    """TT − UT1 by day, as skyfield wants it.

    Attributes:
        days: Julian dates in TT, ascending, shape ``[n]``.
        delta_t_s: TT − UT1, shape ``[n]``.
        measured_until: Julian date (TT) of the last measurement.
        source: which package it comes from.
    """

    days: FloatArray
    delta_t_s: FloatArray
    measured_until: float
    source: str


def read_finals(text: str) -> Finals | None:
    """UT1 of a ``finals2000A`` table, or of its end; None if no row of it was measured."""
    rows = [line for line in text.splitlines() if line[57:58] in ("I", "P")]
    mjd = np.array([float(line[7:15]) for line in rows])
    measured = [float(line[7:15]) for line in rows if line[57:58] == "I"]
    if not measured or (np.diff(mjd) != 1.0).any():
        return None
    return Finals(mjd, np.array([float(line[58:68]) for line in rows]), measured[-1])


def installed_finals() -> tuple[Finals | None, str]:
    """The last years of the table in ``astropy-iers-data``, and that package's name and version."""
    try:
        import astropy_iers_data as package
    except ImportError:
        return None, ""
    return read_finals(_newest_rows(package)), f"astropy-iers-data {package.__version__}"


def _newest_rows(package: Any) -> str:
    with open(package.IERS_A_FILE, "rb") as table:
        table.seek(0, 2)
        table.seek(max(table.tell() - _ROW_BYTES * _ROWS_READ, 0))
        table.readline()
        return table.read().decode("ascii", "replace")


class Pole(NamedTuple):
    """The pole's coordinates by day: modified Julian dates (UTC), x and y (arcsec), ``[n]``."""

    mjd: FloatArray
    x_arcsec: FloatArray
    y_arcsec: FloatArray


def read_pole(text: str) -> Pole | None:
    """The pole of a ``finals2000A`` table, measured and predicted; None if it has no row."""
    rows = [line for line in text.splitlines() if line[16:17] in ("I", "P")]
    if not rows:
        return None
    columns = [[float(line[a:b]) for line in rows] for a, b in ((7, 15), (18, 27), (37, 46))]
    return Pole(*(np.array(each) for each in columns))


def installed_pole() -> Pole | None:
    """The pole by the table in ``astropy-iers-data``; None where that is not installed."""
    try:
        import astropy_iers_data as package
    except ImportError:
        return None
    return read_pole(_newest_rows(package))


def ut1_table(bundled: Any, finals: Finals | None, package: str) -> Ut1Table:
    """skyfield's table, and from where it begins the newer one, if that was measured further.

    Args:
        bundled: skyfield's own arrays (``iers.npz``).
    """
    days = bundled["tt_jd_minus_arange"] + np.arange(len(bundled["delta_t_1e7"]))
    delta_t = (bundled["delta_t_1e7"] / 1e7).round(7)
    measured_until = float(days[-1]) - PREDICTED_DAYS
    if finals is None or finals.measured_until_mjd + MJD_ZERO <= measured_until:
        return Ut1Table(days, delta_t, measured_until, "skyfield")
    # The rows that are used come after the last leap second, so that one offset is right for all.
    offset_s = _TT_MINUS_TAI_S + float(bundled["leap_offsets"][-1])
    used = finals.mjd + MJD_ZERO > float(bundled["leap_dates"][-1]) + 1.0
    new_days = finals.mjd[used] + MJD_ZERO + offset_s / _DAY_S
    old = days < new_days[0] - 0.5
    return Ut1Table(
        np.concatenate([days[old], new_days]),
        np.concatenate([delta_t[old], offset_s - finals.ut1_minus_utc_s[used]]),
        finals.measured_until_mjd + MJD_ZERO,
        package,
    )
