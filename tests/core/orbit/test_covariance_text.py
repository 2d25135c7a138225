"""Covariance as messages write it, turned into RTN."""

import numpy as np
import pytest

from contactd.core.errors import InputError
from contactd.core.instants import from_text
from contactd.core.orbit.covariance_text import COVARIANCE_KEYS
from contactd.core.orbit.inertial import from_teme, to_teme
from contactd.core.orbit.oem import parse_oem
from contactd.core.orbit.opm import parse_opm
from contactd.core.orbit.states import orbital_axes

EPOCH = "2026-12-01T06:00:00.000"
AT = from_text(EPOCH + "Z")
RANDOM = np.random.default_rng(11)
SPREAD = RANDOM.normal(size=(6, 6)) * np.array([[0.3], [1.0], [0.2], [1e-3], [3e-4], [2e-4]])
MATRIX = SPREAD @ SPREAD.T
PLACE, SPEED = np.array([4321.0, -4100.0, 3300.0]), np.array([3.1, 5.6, 2.9])


def opm(frame, cov_frame, matrix, extra=""):
    position, velocity = from_teme(frame, np.array([AT]), PLACE[None], SPEED[None])
    lines = [
        "CCSDS_OPM_VERS = 3.0", "CREATION_DATE = ", "ORIGINATOR =", "OBJECT_NAME = LANTERN 3",
        "OBJECT_ID = 2026-001A", "CENTER_NAME = EARTH", f"REF_FRAME = {frame}",
        "TIME_SYSTEM = UTC", f"EPOCH = {EPOCH}",
    ]  # fmt: skip
    lines += [f"{key} = {value:.12f}" for key, value in zip("XYZ", position[0], strict=True)]
    lines += [f"{key}_DOT = {value:.15f}" for key, value in zip("XYZ", velocity[0], strict=True)]
    if cov_frame:
        lines.append(f"COV_REF_FRAME = {cov_frame}")
    values = matrix[np.tril_indices(6)]
    lines += [f"{key} = {value:.16e}" for key, value in zip(COVARIANCE_KEYS, values, strict=True)]
    return "\n".join([*lines, extra])


def sampled(frame, cov_frame):
    """The covariance in RTN from many states that are scattered in the frame and turned one by one.

    Source: the definition itself (a covariance is the mean of products of deviations); linear maps
    of it, so that six principal deviations are as good as many random ones.
    """
    roots = np.linalg.cholesky(MATRIX)
    position, velocity = from_teme(frame, np.array([AT]), PLACE[None], SPEED[None])
    axes = orbital_axes(PLACE, SPEED, "RTN")
    found = np.zeros((6, 6))
    for column in roots.T:
        if cov_frame in ("RTN", "TNW"):
            local = orbital_axes(PLACE, SPEED, cov_frame)
            moved = np.concatenate([local.T @ column[:3], local.T @ column[3:]])
        else:
            there = to_teme(
                frame, np.array([AT]), position + column[None, :3], velocity + column[None, 3:]
            )
            moved = np.concatenate([there[0][0] - PLACE, there[1][0] - SPEED])
        turned = np.concatenate([axes @ moved[:3], axes @ moved[3:]])
        found += np.outer(turned, turned)
    return found


@pytest.mark.parametrize(
    ("frame", "cov_frame"),
    [("TEME", ""), ("EME2000", ""), ("GCRF", "GCRF"), ("TOD", ""), ("ITRF", "ITRF2020"),
     ("EME2000", "RTN"), ("TEME", "TNW"), ("GCRF", "RSW")],
)  # fmt: skip
def test_a_covariance_in_any_frame_becomes_one_in_rtn(frame, cov_frame):
    read = parse_opm(opm(frame, cov_frame, MATRIX)).state.covariance

    assert read is not None
    expected = MATRIX if cov_frame == "RSW" else sampled(frame, cov_frame)
    sigma = np.sqrt(np.diag(expected))
    assert np.abs((np.array(read.matrix) - expected) / np.outer(sigma, sigma)).max() < 1e-5


def test_a_matrix_that_is_no_covariance_says_nothing():
    impossible = MATRIX.copy()
    impossible[0, 1] = impossible[1, 0] = 2.0 * np.sqrt(MATRIX[0, 0] * MATRIX[1, 1])
    assert parse_opm(opm("TEME", "", impossible)).state.covariance is None


def test_a_covariance_in_an_unknown_frame_is_refused_at_its_place():
    with pytest.raises(InputError, match="EQUINOCTIAL") as refused:
        parse_opm(opm("TEME", "EQUINOCTIAL", MATRIX))
    assert (refused.value.key, refused.value.line) == ("COV_REF_FRAME", 16)


def test_half_a_covariance_is_refused():
    text = "\n".join(
        line for line in opm("TEME", "", MATRIX).splitlines() if not line.startswith("CZ_Y ")
    )
    with pytest.raises(InputError, match="CZ_Y is missing"):
        parse_opm(text)


def oem(rows):
    states = [
        f"2026-12-01T06:0{minute}:00.000 {4321.0 + 186.0 * minute} {-4100.0 + 336.0 * minute} "
        f"{3300.0 + 174.0 * minute} 3.1 5.6 2.9"
        for minute in range(5)
    ]
    return "\n".join(
        [
            "CCSDS_OEM_VERS = 3.0", "CREATION_DATE = 2026-12-01T00:00:00", "ORIGINATOR = GREYWATER",
            "META_START", "OBJECT_NAME = LANTERN 3", "OBJECT_ID = 2026-001A", "CENTER_NAME = EARTH",
            "REF_FRAME = TEME", "TIME_SYSTEM = UTC", "START_TIME = 2026-12-01T06:00:00",
            "STOP_TIME = 2026-12-01T06:04:00", "META_STOP", *states, "COVARIANCE_START", *rows,
            "COVARIANCE_STOP",
        ]
    )  # fmt: skip


def triangle(matrix):
    return [" ".join(f"{matrix[row, col]:.12e}" for col in range(row + 1)) for row in range(6)]


def test_an_ephemeris_carries_its_covariances_in_order():
    text = oem(
        ["EPOCH = 2026-12-01T06:03:00", "COV_REF_FRAME = RTN", *triangle(MATRIX),
         "EPOCH = 2026-12-01T06:01:00", *triangle(4.0 * MATRIX),
         "EPOCH = 2026-12-01T09:00:00", *triangle(MATRIX)]
    )  # fmt: skip
    first, second = parse_oem(text).covariances

    assert first.instant < second.instant
    # The frame once named holds for what follows (5.2.5.3 of CCSDS 502.0-B-3, from memory).
    assert np.array(first.matrix) == pytest.approx(4.0 * MATRIX)
    assert np.array(second.matrix) == pytest.approx(MATRIX)


@pytest.mark.parametrize(
    ("rows", "line", "wanted"),
    [
        (["1.0"], 19, "EPOCH"),
        (["EPOCH = 2026-12-01T06:01:00", "1.0", "0.1 1.0 3.0"], 21, "row 2"),
        (["EPOCH = 2026-12-01T06:01:00", "1.0"], 19, "six rows"),
        (["EPOCH = 2026-12-01T06:01:00", *triangle(MATRIX), "1.0"], 26, "EPOCH"),
    ],
)
def test_an_ephemeris_covariance_that_is_wrong_is_refused_at_its_line(rows, line, wanted):
    with pytest.raises(InputError, match=wanted) as refused:
        parse_oem(oem(rows))
    assert refused.value.line == line
