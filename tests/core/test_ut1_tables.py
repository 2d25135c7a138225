"""The Earth's turning: which table counts, and how well it is known."""

from __future__ import annotations

import numpy as np
import pytest

from contactd.core import instants
from contactd.core.instants import from_text
from contactd.core.ut1_tables import MJD_ZERO, read_finals, ut1_table

# Source: IERS, finals2000A.all of 29 October 2026, columns 1 to 78.
FINALS = """\
261018 61331.00 I  0.154195 0.000042  0.320019 0.000043  I-0.0384163 0.0000098
261019 61332.00 I  0.152764 0.000042  0.319364 0.000043  I-0.0392055 0.0000159
261020 61333.00 I  0.151351 0.000042  0.318689 0.000043  I-0.0401848 0.0000153
261021 61334.00 I  0.150142 0.000042  0.318092 0.000042  I-0.0414065 0.0000167
261022 61335.00 I  0.149159 0.000041  0.317685 0.000041  I-0.0428601 0.0000203
261023 61336.00 P  0.148194 0.000600  0.317462 0.000400  P-0.0444801 0.0000297
261024 61337.00 P  0.147163 0.000891  0.317408 0.000659  P-0.0461706 0.0000359
"""
BUNDLED = {
    "tt_jd_minus_arange": np.full(40, MJD_ZERO + 61_300.0),
    "delta_t_1e7": np.full(40, 691_000_000),
    "leap_dates": np.array([2_457_754.5]),
    "leap_offsets": np.array([37]),
}


def test_a_finals_table_is_read_with_what_was_measured_and_what_is_predicted() -> None:
    finals = read_finals(FINALS + "271218 61757.00\n")
    assert finals is not None
    assert list(finals.mjd) == [61331.0 + n for n in range(7)]
    assert finals.ut1_minus_utc_s[0] == -0.0384163
    assert finals.measured_until_mjd == 61335.0


def test_a_table_without_measurements_or_with_days_left_out_is_none() -> None:
    lines = FINALS.splitlines()
    assert read_finals("") is None
    assert read_finals("\n".join(lines[5:])) is None
    assert read_finals("\n".join(lines[:2] + lines[3:])) is None


def test_the_newer_table_takes_over_where_it_begins() -> None:
    finals = read_finals(FINALS)
    table = ut1_table(BUNDLED, finals, "a package")
    assert table.source == "a package"
    assert (np.diff(table.days) > 0.9).all()
    assert table.delta_t_s[0] == 69.1
    # TT - UT1 = 32.184 s + 37 s - (UT1 - UTC).
    assert table.delta_t_s[-7:] == pytest.approx(69.184 - finals.ut1_minus_utc_s)
    assert table.days[-1] == pytest.approx(MJD_ZERO + 61337 + 69.184 / 86400, abs=1e-9)
    older = ut1_table(
        {**BUNDLED, "tt_jd_minus_arange": np.full(40, MJD_ZERO + 62_000.0)}, finals, ""
    )
    assert older.source == "skyfield"


def test_what_is_at_hand_encloses_what_was_measured_later() -> None:
    # Source: as above; the bundled table was predicted months before.
    finals = read_finals(FINALS)
    at = np.array([from_text(f"2026-10-{day}T00:00:00Z") for day in range(18, 25)])
    ut1, utc = instants.ut1_julian(at), instants.utc_julian(at)
    ours_s = ((ut1[0] - utc[0]) + (ut1[1] - utc[1])) * 86_400.0
    assert (np.abs(ours_s - finals.ut1_minus_utc_s) <= instants.ut1_error_s(at)).all()


def test_the_error_is_small_where_ut1_was_measured_and_grows_from_there_without_end() -> None:
    until = instants.ut1_measured_until()
    errors = instants.ut1_error_s(until + 86_400.0 * np.array([-4000.0, 0.0, 1.0, 100.0, 2000.0]))
    assert list(errors) == pytest.approx([1e-4, 1e-4, 1.1e-3, 0.1001, 2.0001])
