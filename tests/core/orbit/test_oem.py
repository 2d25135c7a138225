"""Orbit ephemeris messages."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BarycentricInterpolator, KroghInterpolator

from contactd.core.errors import InputError
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit import parse_omm
from contactd.core.orbit.ephemeris import EphemerisTrack, Segment
from contactd.core.orbit.inertial import from_teme
from contactd.core.orbit.oem import format_oem, parse_oem
from contactd.core.orbit.sgp4_track import Sgp4Track

DATA = Path(__file__).parents[2] / "reference" / "data"
S03 = (DATA / "S03.oem").read_text()
EXPECTED = json.loads((DATA / "S03_oem_expected.json").read_text())
START, STOP = from_text("2024-03-09T00:10:00Z"), from_text("2024-03-09T00:50:00Z")


def error_of(text: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        parse_oem(text)
    return caught.value


def swapped(key: str, value: str) -> str:
    return "\n".join(
        f"{key} = {value}" if line.startswith(f"{key} =") else line for line in S03.splitlines()
    )


def with_keyword(line: str) -> str:
    return S03.replace("META_STOP", f"{line}\nMETA_STOP")


def test_states_between_the_nodes_are_those_of_the_reference() -> None:
    # Source: reference data S03_oem_expected.json: SGP4's states half-way between the nodes, which
    # Hermite's polynomials of degree 7 meet within 1.5e-5 km (found with scipy).
    track = parse_oem(S03)
    assert track.name == "SYNTHETIC S03"
    for state in EXPECTED["mid_node_states"]:
        position, velocity = track.states(np.array([from_text(state["utc"])]))
        assert position[0] == pytest.approx(state["r_teme_km"], abs=1.6e-5)
        assert velocity[0] == pytest.approx(state["v_teme_km_s"], abs=2e-5)


def test_over_the_whole_message_the_elements_that_made_it_are_met() -> None:
    # Source: the same elements through SGP4 (reference data S03.omm).
    track = parse_oem(S03)
    sgp4 = Sgp4Track(parse_omm((DATA / "S03.omm").read_text())[0])
    at = np.arange(START, STOP, 1.7)
    ours, truth = track.states(at), sgp4.states(at)
    assert np.abs(ours[0] - truth[0]).max() < 4e-4  # at the ends the windows are lopsided
    assert np.abs(ours[1] - truth[1]).max() < 6e-5


@pytest.mark.parametrize("degree", [1, 3, 5, 7, 9, 11])
def test_hermites_polynomials_are_scipys(degree: int) -> None:
    # Source: scipy.interpolate.KroghInterpolator, each node twice: value and slope.
    track = parse_oem(swapped("INTERPOLATION_DEGREE", str(degree)))
    (segment,) = track.segments
    width = (degree + 1) // 2
    at = np.random.default_rng(1).uniform(START + 600, STOP - 600, 20)
    ours = track.states(at)
    for index, instant in enumerate(at):
        after = int(np.searchsorted(segment.instants, instant, side="right"))
        first = after - width // 2
        if width % 2:
            nearer_before = (
                instant - segment.instants[after - 1] < segment.instants[after] - instant
            )
            first -= int(nearer_before)
        window = slice(first, first + width)
        nodes = np.repeat((segment.instants[window] - instant) / 60.0, 2)
        values = np.empty((2 * width, 3))
        values[0::2] = segment.position_km[window]
        values[1::2] = segment.velocity_km_s[window] * 60.0
        krogh = KroghInterpolator(nodes, values)
        assert ours[0][index] == pytest.approx(krogh(0.0), abs=1e-8)
        assert ours[1][index] == pytest.approx(krogh.derivative(0.0) / 60.0, abs=1e-9)


@pytest.mark.parametrize("degree", [1, 2, 5, 8])
def test_lagranges_polynomials_are_scipys(degree: int) -> None:
    # Source: scipy.interpolate.BarycentricInterpolator.
    text = swapped("INTERPOLATION", "LAGRANGE").replace("_DEGREE = 7", f"_DEGREE = {degree}")
    track = parse_oem(text)
    (segment,) = track.segments
    width = degree + 1
    at = np.random.default_rng(2).uniform(START + 600, STOP - 600, 20)
    ours = track.states(at)
    for index, instant in enumerate(at):
        after = int(np.searchsorted(segment.instants, instant, side="right"))
        first = after - width // 2
        if width % 2:
            nearer_before = (
                instant - segment.instants[after - 1] < segment.instants[after] - instant
            )
            first -= int(nearer_before)
        window = slice(first, first + width)
        nodes = segment.instants[window] - instant
        for found, values in zip(ours, (segment.position_km, segment.velocity_km_s), strict=True):
            truth = BarycentricInterpolator(nodes / 60.0, values[window])(0.0)
            assert found[index] == pytest.approx(truth, abs=1e-8)


def test_at_the_nodes_the_states_are_the_messages_own() -> None:
    for text in (S03, swapped("INTERPOLATION", "LAGRANGE"), swapped("INTERPOLATION", "LINEAR")):
        track = parse_oem(text)
        (segment,) = track.segments
        position, velocity = track.states(segment.instants)
        assert np.abs(position - segment.position_km).max() < 1e-9
        assert np.abs(velocity - segment.velocity_km_s).max() < 1e-9


def test_without_a_method_velocities_are_used_too() -> None:
    text = "\n".join(line for line in S03.splitlines() if not line.startswith("INTERPOLATION"))
    assert parse_oem(text).segments[0].method == "HERMITE"


def test_a_gap_between_segments_has_no_states() -> None:
    lines = S03.splitlines()
    metadata, states = lines[3:14], lines[14:]
    first = [line.replace("00:50:00", "00:20:00") for line in metadata] + states[:11]
    second = [line.replace("T00:10:00", "T00:30:00") for line in metadata] + states[20:]
    assert metadata[0] == "META_START"
    assert metadata[-1] == "META_STOP"
    track = parse_oem("\n".join(lines[:3] + first + second))
    gap = (from_text("2024-03-09T00:20:00Z"), from_text("2024-03-09T00:30:00Z"))
    assert track.validity == IntervalSet([START, gap[1]], [gap[0], STOP])
    at = np.array([gap[0] - 1.0, gap[0] + 1.0, gap[1] - 1.0, gap[1] + 1.0])
    assert list(np.isnan(track.states(at)[0][:, 0])) == [False, True, True, False]
    back = parse_oem(format_oem(track, START, STOP, 60.0, frame="TEME"))
    assert np.allclose(back.validity.ends, track.validity.ends, atol=2e-6)
    assert np.allclose(back.validity.starts, track.validity.starts, atol=2e-6)


def test_states_outside_the_usable_times_only_help_to_interpolate() -> None:
    # Source: CCSDS 502.0-B-3 table 5-3, USEABLE_START_TIME and USEABLE_STOP_TIME.
    track = parse_oem(
        with_keyword(
            "USEABLE_START_TIME = 2024-03-09T00:15:00\nUSEABLE_STOP_TIME = 2024-069T00:45:00.5"
        )
    )
    assert track.validity == IntervalSet([START + 300], [STOP - 299.5])
    assert np.isnan(track.states(np.array([START + 299.0]))[0]).all()


def test_usable_times_that_overlap_are_refused() -> None:
    second = "\n".join(S03.splitlines()[3:])
    error = error_of(S03 + "\n" + second)
    assert "overlap" in error.expected
    assert error.line == 63


def test_two_segments_that_share_an_instant_make_one_stretch() -> None:
    lines = S03.splitlines()
    first = [x.replace("00:50:00", "00:20:00") for x in lines[3:14]] + lines[14:25]
    second = [x.replace("T00:10:00", "T00:20:00") for x in lines[3:14]] + lines[24:]
    track = parse_oem("\n".join(lines[:3] + first + second))
    assert track.validity == IntervalSet([START], [STOP])


@pytest.mark.parametrize("frame", ["EME2000", "GCRF", "ITRF", "TEME"])
@pytest.mark.parametrize("style", ["kvn", "xml"])
def test_what_is_written_in_any_frame_reads_back(frame: str, style: str) -> None:
    track = parse_oem(S03)
    text = format_oem(track, START, STOP, 60.0, style, frame=frame, object_id="2024-900A")
    back = parse_oem(text.encode(), name="renamed")
    assert back.name == "renamed"
    at = np.arange(START, STOP, 7.0)
    for ours, theirs in zip(back.states(at), track.states(at), strict=True):
        assert np.abs(ours - theirs).max() < 1e-7


def test_earth_fixed_states_with_other_interpolation_still_meet_the_orbit() -> None:
    track = parse_oem(S03)
    text = format_oem(track, START, STOP, 60.0, frame="ITRF")
    text = text.replace("HERMITE", "LAGRANGE").replace("_DEGREE = 7", "_DEGREE = 9")
    at = np.arange(START + 300, STOP - 300, 7.0)
    assert np.abs(parse_oem(text).states(at)[0] - track.states(at)[0]).max() < 1e-4


@pytest.mark.parametrize(("system", "ahead_s"), [("TAI", 37.0), ("TT", 69.184), ("GPS", 18.0)])
def test_time_systems_without_leap_seconds_are_understood(system: str, ahead_s: float) -> None:
    # Source: IERS Bulletin C (TAI - UTC = 37 s from 2017), IS-GPS-200 (GPS - UTC = 18 s).
    track = parse_oem(swapped("TIME_SYSTEM", system))
    assert track.validity.starts[0] == pytest.approx(START - ahead_s, abs=1e-6)


def test_accelerations_are_passed_over() -> None:
    lines = S03.splitlines()
    text = "\n".join(lines[:14] + [f"{line} 0.001 0.002 0.003" for line in lines[14:]])
    at = np.array([START + 90.0])
    assert np.array_equal(parse_oem(text).states(at)[0], parse_oem(S03).states(at)[0])


def test_the_standards_own_example_about_mars_is_refused_for_its_centre() -> None:
    # Source: CCSDS 502.0-B-3 figure G-11 (its first segment; states from memory).
    text = (
        "CCSDS_OEM_VERS = 3.0\n\nCREATION_DATE = 1996-11-04T17:22:31\nORIGINATOR = NASA/JPL\n\n"
        "META_START\nOBJECT_NAME = MARS GLOBAL SURVEYOR\nOBJECT_ID = 1996-062A\n"
        "CENTER_NAME = MARS BARYCENTER\nREF_FRAME = EME2000\nTIME_SYSTEM = UTC\n"
        "START_TIME = 1996-12-18T12:00:00.331\nUSEABLE_START_TIME = 1996-12-18T12:10:00.331\n"
        "USEABLE_STOP_TIME = 1996-12-28T21:23:00.331\nSTOP_TIME = 1996-12-28T21:28:00.331\n"
        "INTERPOLATION = HERMITE\nINTERPOLATION_DEGREE = 7\nMETA_STOP\n\n"
        "COMMENT This file was produced by M.R. Somebody, MSOO NAV/JPL, 2000 FEB 02.\n\n"
        "1996-12-18T12:00:00.331 2789.6 -280.0 -1746.8 4.73 -2.50 -1.04\n"
        "1996-12-18T12:01:00.331 2783.4 -308.1 -1877.1 5.19 -2.42 -2.00\n"
    )
    error = error_of(text)
    assert (error.key, error.line, error.found) == ("CENTER_NAME", 9, "'MARS BARYCENTER'")


@pytest.mark.parametrize(
    ("text", "key", "line", "column"),
    [
        (swapped("REF_FRAME", "MOD"), "REF_FRAME", 8, 13),
        (swapped("TIME_SYSTEM", "UT1"), "TIME_SYSTEM", 9, 15),
        (swapped("INTERPOLATION", "SPLINE"), "INTERPOLATION", 12, 17),
        (swapped("INTERPOLATION_DEGREE", "99"), "INTERPOLATION_DEGREE", 13, 24),
        (swapped("STOP_TIME", "2024-03-09T00:10:00"), "STOP_TIME", 11, 13),
        (swapped("START_TIME", "2024-03-09T00:55:00"), "STOP_TIME", 11, 13),
        (swapped("CCSDS_OEM_VERS", "4.0"), "CCSDS_OEM_VERS", 1, 18),
        (with_keyword("INTERPOLATE = YES"), "INTERPOLATE", 14, 15),
        (S03.replace("META_STOP\n", ""), "", 14, 1),
        (S03.replace("4119.373671", "4119,37"), "Z", 15, 50),
        (S03.replace("4119.373671 ", ""), "", 15, 1),
        (S03.replace("00:12:00.000 ", "00:11:00.000 "), "EPOCH", 17, 1),
        (S03.replace("-2374.111558 5351.130839 4119.373671", "-2.37 5.35 4.11"), "X", 15, 25),
        ("\n".join(S03.splitlines()[:15]), "", 4, 1),
        ("\n".join(S03.splitlines()[:12]), "", 0, 0),
        ("\n".join(S03.splitlines()[:3]), "", 0, 0),
        ("\n".join(S03.splitlines()[1:]), "CREATION_DATE", 1, 17),
        (S03 + "COVARIANCE_START\n", "", 0, 0),
        (S03 + "META_STOP\n", "", 56, 1),
    ],
)
def test_what_is_wrong_is_told_with_key_line_and_column(
    text: str, key: str, line: int, column: int
) -> None:
    error = error_of(text)
    assert (error.key, error.line, error.column) == (key, line, column)


def test_two_objects_in_one_message_are_refused() -> None:
    second = "\n".join(S03.splitlines()[3:]).replace("SYNTHETIC S03", "ANOTHER")
    assert "one object" in error_of(S03 + "\n" + second).expected


def test_errors_in_xml_have_places_too() -> None:
    text = format_oem(parse_oem(S03), START, STOP, 60.0, "xml", frame="TEME")
    assert error_of(text.replace("<CENTER_NAME>EARTH", "<CENTER_NAME>MOON")).line == 12
    assert error_of(text.replace("<Z>", "<W>").replace("</Z>", "</W>")).key == "stateVector"
    assert error_of(text.replace("<X>", '<X units="m">')).key == "X"
    assert error_of("<opm/>").key == "opm"
    assert "document type" in error_of("<!DOCTYPE oem>" + text.split("\n", 1)[1]).expected


def test_with_few_states_the_degree_is_what_they_allow() -> None:
    lines = S03.splitlines()
    text = "\n".join(lines[:16])
    track = parse_oem(text.replace("00:50:00", "00:11:00"))
    at = np.array([START + 30.0])
    truth = parse_oem(S03).states(at)[0]
    assert np.abs(track.states(at)[0] - truth).max() < 5e-3


def test_an_orbits_fastest_rate_is_never_underrated() -> None:
    at = np.linspace(START, STOP, 5000)
    track = parse_oem(S03)
    position, velocity = track.states(at)
    rate = np.linalg.norm(np.cross(position, velocity), axis=1) / (position**2).sum(axis=1)
    assert rate.max() <= track.fastest_rate_rad_s <= 1.2 * rate.max()


def test_uneven_nodes_are_interpolated_too() -> None:
    generator = np.random.default_rng(3)
    nodes = np.cumsum(generator.uniform(20, 90, 40))
    truth = parse_oem(S03)
    at_nodes = START + nodes[nodes < STOP - START]
    position, velocity = truth.states(at_nodes)
    track = EphemerisTrack(
        "x", (Segment(at_nodes, position, velocity, (at_nodes[0], at_nodes[-1])),)
    )
    at = generator.uniform(at_nodes[0], at_nodes[-1], 200)
    assert np.abs(track.states(at)[0] - truth.states(at)[0]).max() < 2e-3


def test_frames_and_times_meet_in_one_message_about_a_real_earth() -> None:
    # The same orbit in GCRF and TAI is the same orbit.
    track = parse_oem(S03)
    (segment,) = track.segments
    position, velocity = from_teme(
        "GCRF", segment.instants, segment.position_km, segment.velocity_km_s
    )
    rows = [
        f"{_tai(at)} " + " ".join(f"{x:.9f}" for x in [*p, *v])
        for at, p, v in zip(segment.instants, position, velocity, strict=True)
    ]
    head = S03.splitlines()[:14]
    text = "\n".join(head + rows).replace("= TEME", "= GCRF").replace("= UTC", "= TAI")
    text = text.replace("T00:10:00.000\n", "T00:10:37.000\n").replace(
        "T00:50:00.000\n", "T00:50:37.000\n"
    )
    at = np.arange(START, STOP, 13.0)
    assert np.abs(parse_oem(text).states(at)[0] - track.states(at)[0]).max() < 1e-6


def _tai(instant: float) -> str:
    seconds = instant - START + 10 * 60 + 37
    return f"2024-03-09T00:{int(seconds // 60):02d}:{seconds % 60:06.3f}"


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_a_changed_or_missing_stretch_never_gives_anything_but_a_track_or_an_input_error(
    data: st.DataObject,
) -> None:
    place = data.draw(st.integers(0, len(S03)))
    length = data.draw(st.integers(0, 60))
    try:
        track = parse_oem(S03[:place] + data.draw(st.text(max_size=3)) + S03[place + length :])
    except InputError:
        return
    assert not np.isnan(track.states(np.array([track.validity.starts[0]]))[0]).any()


def test_messages_of_the_same_content_give_equal_tracks() -> None:
    text = (DATA / "S03.oem").read_text()
    one, same = parse_oem(text), parse_oem(text)
    assert one == same
    assert hash(one) == hash(same)
    segment = one.segments[0]
    moved = replace(segment, position_km=segment.position_km + 1e-3)
    assert replace(one, segments=(moved,)) != one
