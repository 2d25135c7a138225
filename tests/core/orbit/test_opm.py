"""Orbit parameter messages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.errors import InputError
from contactd.core.instants import from_text
from contactd.core.orbit.opm import format_opm, parse_opm
from contactd.core.orbit.states import Spacecraft, state_from_cartesian

# An invented satellite just set free from its carrier, in the shape of CCSDS 502.0-B-3 annex G.
OPM = """\
CCSDS_OPM_VERS = 3.0
COMMENT released from the carrier
CREATION_DATE = 2026-12-01T10:00:00
ORIGINATOR = EXAMPLE
OBJECT_NAME = LANTERN 3
OBJECT_ID = 2026-900C
CENTER_NAME = EARTH
REF_FRAME = ITRF2020
TIME_SYSTEM = UTC
EPOCH = 2026-12-01T12:00:00.5
X = 6503.514000 [km]
Y = 1239.647000 [km]
Z = -717.490000 [km]
X_DOT = -0.873160 [km/s]
Y_DOT = 8.740420 [km/s]
Z_DOT = -4.191076 [km/s]
SEMI_MAJOR_AXIS = 41399.5123 [km]
ECCENTRICITY = 0.020842611
TRUE_ANOMALY = 41.922339 [deg]
GM = 398600.4415 [km**3/s**2]
MASS = 120.0 [kg]
SOLAR_RAD_AREA = 1.0 [m**2]
SOLAR_RAD_COEFF = 1.3
DRAG_AREA = 0.8 [m**2]
DRAG_COEFF = 2.5
COMMENT released without its covariance
MAN_EPOCH_IGNITION = 2026-12-02T09:00:34.1
MAN_DURATION = 132.60 [s]
MAN_DELTA_MASS = -0.5 [kg]
MAN_REF_FRAME = RTN
MAN_DV_1 = 0.00101500 [km/s]
MAN_DV_2 = -0.00187300 [km/s]
MAN_DV_3 = 0.0 [km/s]
MAN_EPOCH_IGNITION = 2026-336T08:00:00
MAN_DURATION = 0.0
MAN_DELTA_MASS = 0.0
MAN_REF_FRAME = EME2000
MAN_DV_1 = 0.001
MAN_DV_2 = 0.0
MAN_DV_3 = 0.0
USER_DEFINED_WHO = somebody
"""


def error_of(text: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        parse_opm(text)
    return caught.value


def swapped(key: str, value: str) -> str:
    return "\n".join(
        f"{key} = {value}" if line.startswith(f"{key} =") else line for line in OPM.splitlines()
    )


def test_a_message_gives_the_state_the_spacecraft_and_the_manoeuvres() -> None:
    found = parse_opm(OPM)
    assert (found.name, found.object_id) == ("LANTERN 3", "2026-900C")
    expected = state_from_cartesian(
        "ITRF",
        from_text("2026-12-01T12:00:00.5Z"),
        (6503.514, 1239.647, -717.49),
        (-0.87316, 8.74042, -4.191076),
    )
    assert found.state == expected
    assert found.spacecraft == Spacecraft(120.0, 0.8, 2.5, radiation_area_m2=1.0)
    first, second = found.manoeuvres
    assert first.at == pytest.approx(from_text("2026-12-02T08:00:00Z"), abs=1e-6)
    assert first.frame == "EME2000"
    assert first.delta_v_m_s == pytest.approx((1.0, 0.0, 0.0))
    # A burn of 132.6 s is taken as an impulse at its middle.
    assert second.at == pytest.approx(from_text("2026-12-02T09:01:40.4Z"), abs=1e-6)
    assert second.delta_v_m_s == pytest.approx((1.015, -1.873, 0.0))


@pytest.mark.parametrize("style", ["kvn", "xml"])
@pytest.mark.parametrize("frame", ["EME2000", "GCRF", "ITRF", "TEME"])
def test_what_is_written_reads_back(style: str, frame: str) -> None:
    found = parse_opm(OPM)
    back = parse_opm(format_opm(found, style, frame=frame).encode())
    assert back.state.position_km == pytest.approx(found.state.position_km, abs=1e-8)
    assert back.state.velocity_km_s == pytest.approx(found.state.velocity_km_s, abs=1e-11)
    assert back.spacecraft == found.spacecraft
    assert replace(back, state=found.state, manoeuvres=()) == replace(found, manoeuvres=())
    for ours, theirs in zip(back.manoeuvres, found.manoeuvres, strict=True):
        assert ours.at == pytest.approx(theirs.at, abs=2e-6)
        assert ours.delta_v_m_s == pytest.approx(theirs.delta_v_m_s, abs=1e-9)
        assert ours.frame == theirs.frame


def test_without_a_drag_area_drag_is_left_out() -> None:
    text = "\n".join(x for x in OPM.splitlines() if not x.startswith(("DRAG", "MASS", "MAN", "C")))
    found = parse_opm("CCSDS_OPM_VERS = 2.0\nCENTER_NAME = EARTH\n" + text)
    assert found.spacecraft.drag_term_m2_kg == 0.0
    assert found.manoeuvres == ()


def test_time_systems_without_leap_seconds_are_understood() -> None:
    found = parse_opm(swapped("TIME_SYSTEM", "TAI"))
    assert found.state.epoch == pytest.approx(from_text("2026-12-01T11:59:23.5Z"), abs=1e-6)


@pytest.mark.parametrize(
    ("text", "key", "line", "column"),
    [
        (swapped("CENTER_NAME", "MOON"), "CENTER_NAME", 7, 15),
        (swapped("REF_FRAME", "RTN"), "REF_FRAME", 8, 13),
        (swapped("TIME_SYSTEM", "MET"), "TIME_SYSTEM", 9, 15),
        (swapped("EPOCH", "yesterday"), "EPOCH", 10, 9),
        (swapped("X", "6503.5 [m]"), "X", 11, 5),
        (swapped("X", "650.0"), "X", 11, 5),
        (swapped("X_DOT", "-873.160"), "X_DOT", 14, 9),
        (swapped("MASS", "0.0"), "MASS", 21, 8),
        (swapped("DRAG_AREA", "-1"), "DRAG_AREA", 24, 13),
        (swapped("CCSDS_OPM_VERS", "7.0"), "CCSDS_OPM_VERS", 1, 18),
        (OPM.replace("MAN_REF_FRAME = RTN", "MAN_REF_FRAME = ITRF"), "MAN_REF_FRAME", 30, 17),
        (OPM.replace("MAN_DV_3 = 0.0 [km/s]\n", ""), "MAN_DV_3", 27, 22),
        (OPM.replace("MAN_DV_2 = 0.0", "MAN_DV_4 = 0.0"), "MAN_DV_4", 39, 12),
        (OPM.replace("Z_DOT = -4.191076 [km/s]\n", ""), "Z_DOT", 1, 18),
        (OPM.replace("Z_DOT", "ZDOT"), "ZDOT", 16, 8),
        (OPM.replace("MASS", "MAN_DURATION"), "MAN_DURATION", 21, 16),
        (OPM.split("\n", 1)[1], "CREATION_DATE", 2, 17),
        (OPM + "words\n", "", 42, 1),
        (OPM + "MASS = 1.0\n", "MASS", 42, 8),
        ("", "", 0, 0),
    ],
)
def test_what_is_wrong_is_told_with_key_line_and_column(
    text: str, key: str, line: int, column: int
) -> None:
    error = error_of(text)
    assert (error.key, error.line, error.column) == (key, line, column)


def test_errors_in_xml_have_places_too() -> None:
    text = format_opm(parse_opm(OPM), "xml")
    assert error_of(text.replace("<REF_FRAME>EME2000", "<REF_FRAME>MOD")).line == 13
    assert (
        error_of(
            text.replace("<MAN_EPOCH_IGNITION>", "<MAN_X>").replace(
                "</MAN_EPOCH_IGNITION>", "</MAN_X>"
            )
        ).key
        == "MAN_X"
    )
    assert error_of("<oem/>").key == "oem"
    assert error_of("<opm version='3.0'/>").expected.startswith("one segment")
    wrapped = "<ndm>" + text.split("\n", 1)[1] + "</ndm>"
    assert parse_opm(wrapped).name == "LANTERN 3"


def test_too_many_manoeuvres_are_refused() -> None:
    start = OPM.index("MAN_EPOCH_IGNITION")
    one = OPM[start : OPM.index("MAN_EPOCH_IGNITION", start + 1)]
    assert "at most 6" in error_of(OPM + one * 5).expected


def test_the_state_flies_on_as_a_track() -> None:
    from contactd.core.orbit.numerical import NumericalTrack

    found = parse_opm(OPM)
    epoch = found.state.epoch
    track = NumericalTrack(found.name, found.state, (epoch, epoch + 5000.0), found.spacecraft)
    position, _ = track.states(np.array([epoch]))
    assert position[0] == pytest.approx(found.state.position_km, abs=1e-9)


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_a_changed_or_missing_stretch_never_gives_anything_but_a_state_or_an_input_error(
    data: st.DataObject,
) -> None:
    place = data.draw(st.integers(0, len(OPM)))
    length = data.draw(st.integers(0, 60))
    try:
        parse_opm(OPM[:place] + data.draw(st.text(max_size=3)) + OPM[place + length :])
    except InputError:
        return
