"""Orbit mean-elements messages in KVN, XML and JSON."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sgp4 import omm as wheel_omm
from sgp4.api import Satrec

from contactd.core.errors import InputError
from contactd.core.instants import from_text, utc_julian
from contactd.core.orbit import format_omm, parse_omm, parse_tle
from contactd.core.orbit.elements import ElementSet

DATA = Path(__file__).parents[2] / "reference" / "data"
S03 = (DATA / "S03.omm").read_text()

# CCSDS 502.0-B-3 figure G-7 (fields as the check values list them; dates of making are ours).
FIGURE_G_7 = """\
CCSDS_OMM_VERS = 3.0
CREATION_DATE = 2020-065T16:00:00
ORIGINATOR = NOAA
OBJECT_NAME = GOES 9
OBJECT_ID = 1995-025A
CENTER_NAME = EARTH
REF_FRAME = TEME
TIME_SYSTEM = UTC
MEAN_ELEMENT_THEORY = SGP/SGP4
EPOCH = 2020-064T10:34:41.4264
MEAN_MOTION = 1.00273272
ECCENTRICITY = 0.0005013
INCLINATION = 3.0539
RA_OF_ASC_NODE = 81.7939
ARG_OF_PERICENTER = 249.2363
MEAN_ANOMALY = 150.1602
GM = 398600.8
EPHEMERIS_TYPE = 0
CLASSIFICATION_TYPE = U
NORAD_CAT_ID = 23581
ELEMENT_SET_NO = 0925
REV_AT_EPOCH = 4316
BSTAR = 0.0001
MEAN_MOTION_DOT = -0.00000113
MEAN_MOTION_DDOT = 0.0
"""
FIGURE_G_6 = (
    "GOES 9\n"
    "1 23581U 95025A   07064.44075725 -.00000113  00000-0  10000-3 0  9250\n"
    "2 23581   3.0539  81.7939 0005013 249.2363 150.1602  1.00273272 43169\n"
)

XML = """<?xml version="1.0" encoding="UTF-8"?>
<ndm xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">
  <omm id="CCSDS_OMM_VERS" version="3.0">
    <header>
      <COMMENT>made for a test</COMMENT>
      <CREATION_DATE/><ORIGINATOR/>
    </header>
    <body><segment>
      <metadata>
        <OBJECT_NAME>LANTERN &amp; 3</OBJECT_NAME><OBJECT_ID>2024-900A</OBJECT_ID>
        <CENTER_NAME>EARTH</CENTER_NAME><REF_FRAME>TEME</REF_FRAME>
        <TIME_SYSTEM>UTC</TIME_SYSTEM><MEAN_ELEMENT_THEORY>SGP4</MEAN_ELEMENT_THEORY>
      </metadata>
      <data>
        <meanElements>
          <EPOCH>2024-03-09T00:00:00.000000</EPOCH>
          <MEAN_MOTION units="rev/day">14.30818609</MEAN_MOTION>
          <ECCENTRICITY>.0011</ECCENTRICITY>
          <INCLINATION units="deg">98.5568</INCLINATION>
          <RA_OF_ASC_NODE>120.0</RA_OF_ASC_NODE>
          <ARG_OF_PERICENTER>70.0</ARG_OF_PERICENTER>
          <MEAN_ANOMALY>290.0</MEAN_ANOMALY>
        </meanElements>
        <tleParameters>
          <NORAD_CAT_ID>90003</NORAD_CAT_ID>
          <BSTAR units="1/ER">3e-05</BSTAR>
        </tleParameters>
        <userDefinedParameters>
          <USER_DEFINED parameter="WHO">a test</USER_DEFINED>
        </userDefinedParameters>
      </data>
    </segment></body>
  </omm>
</ndm>
"""

FLAT = {
    "OBJECT_NAME": "LANTERN 3",
    "EPOCH": "2024-03-09T00:00:00.000000",
    "MEAN_MOTION": 14.30818609,
    "ECCENTRICITY": "0.0011",
    "INCLINATION": 98.5568,
    "RA_OF_ASC_NODE": 120,
    "ARG_OF_PERICENTER": 70.0,
    "MEAN_ANOMALY": 290,
    "NORAD_CAT_ID": 90003,
    "BSTAR": 3e-05,
    "PERIOD": "100.6",
    "DECAY_DATE": None,
}


def error_of(text: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        parse_omm(text)
    return caught.value


def swapped(key: str, value: str, text: str = S03) -> str:
    """The message with another value for one keyword."""
    lines = [f"{key} = {value}" if x.startswith(f"{key} =") else x for x in text.splitlines()]
    return "\n".join(lines) + "\n"


def without(key: str, text: str = S03) -> str:
    return "\n".join(x for x in text.splitlines() if not x.startswith(f"{key} ")) + "\n"


def test_figures_g_6_and_g_7_give_the_same_elements_but_for_the_year() -> None:
    # Source: CCSDS 502.0-B-3 figures G-6 (two-line set) and G-7 (OMM); the figures say 2007 and
    # 2020 for the epoch.
    (message,) = parse_omm(FIGURE_G_7)
    (lines,) = parse_tle(FIGURE_G_6)
    assert message.epoch == pytest.approx(from_text("2020-03-04T10:34:41.4264Z"), abs=1e-6)
    assert replace(message, epoch=lines.epoch) == lines


def test_the_reference_message_reads_as_written() -> None:
    # Source: reference data S03.omm (elements of an invented satellite).
    (elements,) = parse_omm(S03)
    assert elements == ElementSet(
        name="SYNTHETIC S03",
        catalogue_number=90003,
        international_designator="2024-900A",
        epoch=from_text("2024-03-09T00:00:00Z"),
        mean_motion_rev_per_day=14.30818609,
        eccentricity=0.0011,
        inclination_deg=98.5568,
        raan_deg=119.99999999999999,
        argument_of_perigee_deg=70.0,
        mean_anomaly_deg=290.0,
        bstar_per_earth_radius=3e-05,
        element_set_number=1,
        revolution_number=1,
    )


def test_the_sgp4_wheels_own_reader_finds_the_same_elements_in_our_xml() -> None:
    # Source: sgp4.omm of the sgp4 wheel.
    (elements,) = parse_omm(S03)
    (fields,) = wheel_omm.parse_xml(io.StringIO(format_omm(elements, "xml")))
    satellite = Satrec()
    wheel_omm.initialize(satellite, fields)
    day, fraction = utc_julian(np.array([elements.epoch]))
    assert satellite.jdsatepoch + satellite.jdsatepochF == day[0] + fraction[0]
    assert satellite.satnum == 90003
    assert satellite.intldesg == "24900A"
    assert satellite.no_kozai == pytest.approx(14.30818609 / 720 * np.pi, 1e-15)
    assert satellite.ecco == 0.0011
    assert satellite.bstar == 3e-05
    assert satellite.inclo == pytest.approx(np.radians(98.5568), 1e-15)
    assert satellite.nodeo == pytest.approx(np.radians(120.0), 1e-15)
    assert satellite.argpo == pytest.approx(np.radians(70.0), 1e-15)
    assert satellite.mo == pytest.approx(np.radians(290.0), 1e-15)


def test_xml_reads_with_units_comments_and_own_parameters() -> None:
    (elements,) = parse_omm(XML)
    assert elements.name == "LANTERN & 3"
    assert elements.mean_motion_rev_per_day == 14.30818609
    assert elements.eccentricity == 0.0011
    assert parse_omm(XML.encode()) == (elements,)
    utf16 = XML.replace("UTF-8", "UTF-16").encode("utf-16")
    assert parse_omm(utf16) == (elements,)


def test_a_lone_omm_element_reads_like_one_in_an_ndm() -> None:
    body = XML[XML.index("<omm") : XML.index("</ndm>")]
    assert parse_omm(body) == parse_omm(XML)


def test_other_messages_in_an_ndm_are_passed_over() -> None:
    assert parse_omm(XML.replace("</ndm>", "<opm/></ndm>")) == parse_omm(XML)


def test_json_reads_lists_and_single_objects_with_numbers_or_texts() -> None:
    (one,) = parse_omm(json.dumps(FLAT))
    assert one.mean_motion_rev_per_day == 14.30818609
    assert one.eccentricity == 0.0011
    assert one.catalogue_number == 90003
    many = parse_omm(json.dumps([FLAT, FLAT | {"NORAD_CAT_ID": "799500001"}], indent=1))
    assert [each.catalogue_number for each in many] == [90003, 799_500_001]
    nested = {"ndm": {"omm": [{"header": {}, "body": FLAT}]}}
    assert parse_omm(json.dumps(nested)) == (one,)


def test_catalogue_numbers_have_up_to_nine_digits() -> None:
    # Source: CCSDS 502.0-B-3 table 4-3 (NORAD_CAT_ID).
    assert parse_omm(swapped("NORAD_CAT_ID", "999999999"))[0].catalogue_number == 999_999_999
    assert error_of(swapped("NORAD_CAT_ID", "1000000000")).key == "NORAD_CAT_ID"
    assert error_of(swapped("NORAD_CAT_ID", "T0001")).line == 19


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("2024-069T00:00:00", "2024-03-09T00:00:00Z"),
        ("2024-069T12:30:15.25Z", "2024-03-09T12:30:15.25Z"),
        ("2024-03-09T12:30:15Z", "2024-03-09T12:30:15Z"),
        ("2016-12-31T23:59:60.5", "2016-12-31T23:59:60.5Z"),
        ("2024-366T00:00:00.", "2024-12-31T00:00:00Z"),
    ],
)
def test_times_are_calendar_or_day_of_year_with_or_without_z(written: str, meant: str) -> None:
    # Source: CCSDS 502.0-B-3, 7.5.10.
    (elements,) = parse_omm(swapped("EPOCH", written))
    assert elements.epoch == pytest.approx(from_text(meant), abs=1e-6)


@pytest.mark.parametrize(
    "written",
    ["2024-03-09 00:00:00", "2024-3-9T00:00:00", "2024-03-09T00:00:00+01:00", "2024-02-30T00:00:00",
     "2023-366T00:00:00", "2024-03-09T24:00:00", "2024-03-09T00:00:60", "2024-03-09", "now"],
)  # fmt: skip
def test_other_times_are_refused(written: str) -> None:
    error = error_of(swapped("EPOCH", written))
    assert (error.key, error.line, error.column) == ("EPOCH", 10, 9)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("MEAN_MOTION", "14.30818609 [rev/day]"),
        ("INCLINATION", "98.5568   [deg]"),
        ("BSTAR", "3e-05 [1/ER]"),
        ("MEAN_MOTION_DOT", "0.0 [rev/day**2]"),
    ],
)
def test_units_in_brackets_are_read(key: str, value: str) -> None:
    # Source: CCSDS 502.0-B-3, 7.7.1.1.
    assert parse_omm(swapped(key, value)) == parse_omm(S03)


@pytest.mark.parametrize(
    ("key", "value", "line", "column"),
    [
        ("MEAN_MOTION", "14.3 [REV/DAY]", 11, 15),
        ("INCLINATION", "1.72 [rad]", 13, 15),
        ("ECCENTRICITY", "0.1 [deg]", 12, 16),
        ("MEAN_MOTION", "14.3[rev/day]", 11, 15),
        ("MEAN_MOTION", "14,3", 11, 15),
        ("MEAN_MOTION", "nan", 11, 15),
        ("MEAN_MOTION", "1_4", 11, 15),
        ("MEAN_MOTION", "0.0", 11, 15),
        ("MEAN_MOTION", "1e999", 11, 15),
        ("MEAN_MOTION", "0x10", 11, 15),
        ("ECCENTRICITY", "1.0", 12, 16),
        ("ECCENTRICITY", "-0.1", 12, 16),
        ("INCLINATION", "180.5", 13, 15),
        ("REV_AT_EPOCH", "1.5", 21, 16),
        ("EPHEMERIS_TYPE", "4", 17, 18),
        ("CENTER_NAME", "MARS", 6, 15),
        ("REF_FRAME", "EME2000", 7, 13),
        ("TIME_SYSTEM", "TAI", 8, 15),
        ("MEAN_ELEMENT_THEORY", "SGP4-XP", 9, 23),
        ("MEAN_ELEMENT_THEORY", "DSST", 9, 23),
        ("CCSDS_OMM_VERS", "9.0", 1, 18),
        ("OBJECT_NAME", "", 4, 14),
    ],
)
def test_what_is_wrong_is_told_with_keyword_line_and_column(
    key: str, value: str, line: int, column: int
) -> None:
    error = error_of(swapped(key, value))
    assert (error.key, error.line, error.column) == (key, line, column)


@pytest.mark.parametrize(
    "key",
    ["OBJECT_NAME", "CENTER_NAME", "REF_FRAME", "TIME_SYSTEM", "MEAN_ELEMENT_THEORY", "EPOCH",
     "MEAN_MOTION", "ECCENTRICITY", "INCLINATION", "RA_OF_ASC_NODE", "ARG_OF_PERICENTER",
     "MEAN_ANOMALY", "BSTAR"],
)  # fmt: skip
def test_what_sgp4_needs_must_be_there(key: str) -> None:
    error = error_of(without(key))
    assert error.key == key
    assert error.line == 1


def test_a_semi_major_axis_does_not_stand_for_a_mean_motion() -> None:
    error = error_of(S03.replace("MEAN_MOTION = 14.30818609", "SEMI_MAJOR_AXIS = 7165.0"))
    assert "not SEMI_MAJOR_AXIS" in error.expected


def test_an_unknown_keyword_is_refused_with_the_nearest_known_one() -> None:
    error = error_of(S03.replace("INCLINATION", "INCLINATON"))
    assert (error.line, error.found) == (13, "INCLINATON")
    assert "INCLINATION" in error.expected


def test_a_keyword_twice_is_refused() -> None:
    error = error_of(S03 + "BSTAR = 1e-4\n")
    assert (error.key, error.line) == ("BSTAR", 25)
    assert "line 22" in error.expected


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        (S03.replace("EARTH", "EARTH\t"), 6, 20),
        (S03.replace("SYNTHETIC", "SYNTH\xc9TIQUE"), 4, 20),
        (S03 + "COMMENT " + "x" * 250 + "\n", 25, 255),
        (S03 + "lower = 1\n", 25, 1),
        (S03 + "just words\n", 25, 1),
        (S03 + "  TWO WORDS = 1\n", 25, 3),
        ("OBJECT_NAME = A\n" + S03, 1, 15),
    ],
)
def test_lines_that_break_the_rules_of_section_7_are_pointed_at(
    text: str, line: int, column: int
) -> None:
    # Source: CCSDS 502.0-B-3, 7.3.2, 7.3.4, 7.4.
    error = error_of(text)
    assert (error.line, error.column) == (line, column)


@pytest.mark.parametrize("end", ["\r\n", "\n\r", "\r", "\n"])
def test_lines_end_in_each_way_that_the_standard_allows(end: str) -> None:
    # Source: CCSDS 502.0-B-3, 7.3.7.
    spaced = S03.replace(" = ", "  =   ").replace("\n", "  \n\n")
    assert parse_omm(spaced.replace("\n", end)) == parse_omm(S03)


def test_several_messages_in_one_text_are_all_read() -> None:
    assert parse_omm(S03 + "\n" + FIGURE_G_7) == parse_omm(S03) + parse_omm(FIGURE_G_7)


def test_entity_bombs_and_document_types_are_refused() -> None:
    bomb = '<?xml version="1.0"?>\n<!DOCTYPE omm [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>\n'
    error = error_of(bomb + "<omm>&b;</omm>")
    assert error.line == 2
    assert "document type" in error.expected
    assert "document type" in error_of('<!DOCTYPE omm SYSTEM "file:///etc/passwd"><omm/>').expected


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        (XML.replace("98.5568", "98.x"), 19, 11),
        (XML.replace('units="deg"', 'units="rad"'), 19, 11),
        (XML.replace("<MEAN_ANOMALY>290.0</MEAN_ANOMALY>", ""), 3, 3),
        (XML.replace("INCLINATION", "INCLINED"), 19, 11),
        (XML.replace("</meanElements>", "</meanElement>"), 23, 11),
        (XML.replace("</BSTAR>", "</BSTAR><BSTAR>1</BSTAR>"), 26, 44),
        (XML.replace("&amp;", "&undefined;"), 10, 30),
        (XML.replace('version="3.0"', 'version="7"'), 3, 3),
        (XML.replace("&amp;", "\x85"), 10, 9),
        ("<omm>" * 50, 1, 81),
        ("<rss/>", 1, 1),
        ("<ndm/>", 0, 0),
        ("<ndm><omm/></ndm>", 1, 6),
        ("<", 1, 1),
    ],
)
def test_errors_in_xml_have_lines_and_columns_too(text: str, line: int, column: int) -> None:
    error = error_of(text)
    assert (error.line, error.column) == (line, column)


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ('[\n {"EPOCH": "2024-03-09T00:00:00",\n  "MEAN_MOTION": "fast"}]', 3, 18),
        ('[\n {"EPOCH": }]', 2, 12),
        ("[]", 0, 0),
        ("[1]", 0, 0),
        ('{"EPOCH": 1, "EPOCH": 2}', 1, 14),
        ("[" * 100_000, 0, 0),
        ("[" * 30 + "{}" + "]" * 30, 1, 18),
        ('{"MEAN_MOTION": NaN}', 1, 17),
        (json.dumps(FLAT | {"EPOCH": "noon"}), 1, json.dumps(FLAT).index('"2024') + 1),
    ],
)
def test_errors_in_json_have_lines_and_columns_too(text: str, line: int, column: int) -> None:
    error = error_of(text)
    assert (error.line, error.column) == (line, column)


def test_control_characters_never_reach_a_name() -> None:
    error = error_of(json.dumps(FLAT | {"OBJECT_NAME": "A\x1b[31m"}))
    assert (error.key, error.expected) == ("OBJECT_NAME", "printable characters")


def test_a_json_message_that_states_another_frame_is_refused() -> None:
    assert error_of(json.dumps(FLAT | {"REF_FRAME": "GCRF"})).key == "REF_FRAME"


def test_a_text_that_is_too_long_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("contactd.core.orbit.text.MAX_INPUT_BYTES", 100)
    assert error_of(S03).expected == "at most 100 bytes"
    assert error_of(XML.encode()).expected == "at most 100 bytes"


@given(st.binary(max_size=200))
@settings(max_examples=300, deadline=None)
def test_no_bytes_at_all_give_anything_but_an_input_error(text: bytes) -> None:
    with pytest.raises(InputError):
        parse_omm(text)


@given(st.sampled_from([S03, XML, json.dumps([FLAT])]), st.data())
@settings(max_examples=500, deadline=None)
def test_a_changed_or_missing_stretch_never_gives_anything_but_sets_or_an_input_error(
    text: str, data: st.DataObject
) -> None:
    place = data.draw(st.integers(0, len(text)))
    length = data.draw(st.integers(0, 40))
    try:
        parse_omm(text[:place] + data.draw(st.text(max_size=3)) + text[place + length :])
    except InputError:
        return
