"""Two-line and three-line element sets."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sgp4.api import WGS72, Satrec

from contactd.core.errors import InputError
from contactd.core.instants import from_text, to_text, utc_julian
from contactd.core.orbit import format_tle, parse_tle
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.tle import checksum

# An invented satellite.
LINE1 = "1 90001U 24900A   24069.00000000  .00000000  00000-0  20000-4 0    16"
LINE2 = "2 90001  90.0000  40.0000 0012000  90.0000  10.0000 14.57889791    18"


def with_checksum(line: str) -> str:
    return line[:68] + str(checksum(line))


def changed(line: str, column: int, text: str) -> str:
    """The line with ``text`` from ``column`` (1-based) on, and its checksum set right."""
    return with_checksum(line[: column - 1] + text + line[column - 1 + len(text) :])


def error_of(text: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        parse_tle(text)
    return caught.value


def verification_sets() -> list[tuple[str, str]]:
    """The pairs of lines of the published verification set, which the sgp4 wheel ships."""
    lines = (files("sgp4") / "SGP4-VER.TLE").read_text().splitlines()
    lines = [line[:69] for line in lines if line[:2] in ("1 ", "2 ")]
    return list(zip(lines[0::2], lines[1::2], strict=True))


# The authors of AIAA 2006-6753 made these three by hand and left their checksums as they were.
WRONG_CHECKSUMS = {"33333", "33334", "33335"}


def test_every_set_of_the_published_verification_file_reads_as_the_sgp4_wheel_reads_it() -> None:
    # Source: AIAA 2006-6753, SGP4-VER.TLE as shipped in the sgp4 wheel.
    pairs = [pair for pair in verification_sets() if pair[0][2:7] not in WRONG_CHECKSUMS]
    assert len(pairs) == 30
    for line1, line2 in pairs:
        (ours,) = parse_tle(f"{line1}\n{line2}\n")
        theirs = Satrec.twoline2rv(line1, line2, WGS72)
        assert ours.catalogue_number == theirs.satnum
        day, fraction = utc_julian(np.array([ours.epoch]))
        assert (day[0] - theirs.jdsatepoch) + (fraction[0] - theirs.jdsatepochF) == pytest.approx(
            0, abs=1e-11
        )
        assert ours.mean_motion_rev_per_day == pytest.approx(theirs.no_kozai * 720 / np.pi, 1e-14)
        assert ours.eccentricity == pytest.approx(theirs.ecco, abs=1e-15)
        assert np.radians(ours.inclination_deg) == pytest.approx(theirs.inclo, abs=1e-15)
        assert np.radians(ours.raan_deg) == pytest.approx(theirs.nodeo, abs=1e-14)
        assert np.radians(ours.argument_of_perigee_deg) == pytest.approx(theirs.argpo, abs=1e-14)
        assert np.radians(ours.mean_anomaly_deg) == pytest.approx(theirs.mo, abs=1e-14)
        assert ours.bstar_per_earth_radius == pytest.approx(theirs.bstar, rel=1e-14)
        assert ours.mean_motion_dot_rev_per_day2 == pytest.approx(
            theirs.ndot * 1440**2 / (2 * np.pi), rel=1e-12
        )
        assert ours.mean_motion_ddot_rev_per_day3 == pytest.approx(
            theirs.nddot * 1440**3 / (2 * np.pi), rel=1e-12
        )


def test_the_three_sets_changed_by_hand_are_refused_for_their_checksums() -> None:
    pairs = [pair for pair in verification_sets() if pair[0][2:7] in WRONG_CHECKSUMS]
    assert len(pairs) == 3
    for pair in pairs:
        error = error_of("\n".join(pair))
        assert (error.key, error.line, error.column) == ("checksum", 1, 69)


def test_published_sets_are_written_back_letter_for_letter() -> None:
    # Source: AIAA 2006-6753; 11801 leaves out its ephemeris type, which is written as 0.
    for line1, line2 in verification_sets():
        if line1[2:7] in WRONG_CHECKSUMS | {"11801"} or " 00000+0 " in line1:
            continue
        assert format_tle(parse_tle(f"{line1}\n{line2}")[0]) == (line1, line2)


def test_the_epoch_of_figure_g_6_is_the_time_that_figure_g_7_states() -> None:
    # Source: CCSDS 502.0-B-3 figures G-6 and G-7 (the figures' years differ; the day's fraction
    # .44075725 is 10:34:41.4264).
    (elements,) = parse_tle(
        "GOES 9 [P]\n"
        "1 23581U 95025A   07064.44075725 -.00000113  00000-0  10000-3 0  9250\n"
        "2 23581   3.0539  81.7939 0005013 249.2363 150.1602  1.00273272 43169\n"
    )
    assert to_text(elements.epoch, 4) == "2007-03-05T10:34:41.4264Z"
    assert elements.name == "GOES 9 [P]"
    assert elements.international_designator == "1995-025A"
    assert elements.element_set_number == 925
    assert elements.revolution_number == 4316
    assert elements.mean_motion_dot_rev_per_day2 == -0.00000113
    assert elements.bstar_per_earth_radius == 0.0001


@pytest.mark.parametrize(
    "text",
    [
        f"{LINE1}\n{LINE2}",
        f"{LINE1}\r\n{LINE2}\r\n",
        f"{LINE1}\r{LINE2}\r",
        f"\n\n{LINE1}   \n{LINE2}\t".replace("\t", "    ") + "\n\n",
        f"\ufeff{LINE1}\n{LINE2}\n",
        f"# a note\n{LINE1}\n{LINE2}\n",
    ],
)
def test_line_ends_blanks_byte_order_marks_and_notes_do_not_matter(text: str) -> None:
    expected = parse_tle(f"{LINE1}\n{LINE2}\n")
    assert parse_tle(text) == expected
    assert parse_tle(text.encode()) == expected


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ("LANTERN 3", "LANTERN 3"),
        ("0 LANTERN 3", "LANTERN 3"),
        ("0 LANTERN 3             ", "LANTERN 3"),
        ("1 LANTERN", "1 LANTERN"),
        ("2 FAST", "2 FAST"),
        ("0", ""),
    ],
)
def test_the_line_before_a_set_is_its_name(line: str, name: str) -> None:
    assert parse_tle(f"{line}\n{LINE1}\n{LINE2}")[0].name == name


def test_many_sets_keep_their_order_and_their_names() -> None:
    second1, second2 = changed(LINE1, 3, "90002"), changed(LINE2, 3, "90002")
    found = parse_tle(f"0 A\n{LINE1}\n{LINE2}\n{second1}\n{second2}\nC\n{LINE1}\n{LINE2}\n")
    assert [(each.name, each.catalogue_number) for each in found] == [
        ("A", 90001),
        ("", 90002),
        ("C", 90001),
    ]


@pytest.mark.parametrize(
    ("text", "number"),
    [("A0000", 100_000), ("H9999", 179_999), ("J0000", 180_000), ("P0000", 230_000),
     ("E8493", 148_493), ("Z9999", 339_999), ("00005", 5), ("    5", 5)],
)  # fmt: skip
def test_alpha_5_catalogue_numbers_skip_the_letters_i_and_o(text: str, number: int) -> None:
    # Source: common practice of those who publish element sets (Alpha-5).
    pair = changed(LINE1, 3, text), changed(LINE2, 3, text)
    (elements,) = parse_tle("\n".join(pair))
    assert elements.catalogue_number == number
    if text.strip() == text:
        assert format_tle(elements) == pair


@pytest.mark.parametrize("text", ["I0000", "O0000", "a0000", "1A000", "9000 ", "     "])
def test_other_letters_in_a_catalogue_number_are_refused(text: str) -> None:
    error = error_of(f"{changed(LINE1, 3, text)}\n{changed(LINE2, 3, text)}")
    assert (error.key, error.line, error.column) == ("catalogue number", 1, 3)


def test_day_366_of_a_short_year_is_new_years_day() -> None:
    # Published sets of the end of 2019 carried epochs such as 19366.82137887.
    (elements,) = parse_tle(f"{changed(LINE1, 19, '19366.82137887')}\n{LINE2}")
    assert to_text(elements.epoch, 3) == "2020-01-01T19:42:47.134Z"
    (leap,) = parse_tle(f"{changed(LINE1, 19, '24366.50000000')}\n{LINE2}")
    assert to_text(leap.epoch, 0) == "2024-12-31T12:00:00Z"


@pytest.mark.parametrize(
    ("field", "moment"),
    [
        ("57001.00000000", "1957-01-01T00:00:00Z"),
        ("56001.00000000", "2056-01-01T00:00:00Z"),
        (" 4 69.50000000", "2004-03-09T12:00:00Z"),
    ],
)
def test_two_digit_years_turn_at_1957_and_leading_zeros_may_be_missing(
    field: str, moment: str
) -> None:
    (elements,) = parse_tle(f"{changed(LINE1, 19, field)}\n{LINE2}")
    assert elements.epoch == from_text(moment)


def test_an_epoch_after_a_leap_second_counts_it() -> None:
    before, after = (
        parse_tle(f"{changed(LINE1, 19, day)}\n{LINE2}")[0].epoch
        for day in ("16366.00000000", "17001.00000000")
    )
    assert after - before == 86_401.0


def test_blanks_stand_for_leading_zeros() -> None:
    line2 = changed(changed(LINE2, 27, "  12000"), 9, "   .0100")
    (elements,) = parse_tle(f"{changed(LINE1, 54, '  1234-4')}\n{line2}")
    assert elements.bstar_per_earth_radius == 0.01234e-4
    assert elements.eccentricity == 0.0012
    assert elements.inclination_deg == 0.01


@pytest.mark.parametrize(
    ("field", "value"),
    [(" 12345-3", 0.12345e-3), ("-12345-3", -0.12345e-3), ("+12345+1", 1.2345),
     (" 00000 0", 0.0), ("        ", 0.0), (" 13519-0", 0.13519)],
)  # fmt: skip
def test_powers_of_ten_are_read_as_the_field_writes_them(field: str, value: float) -> None:
    (elements,) = parse_tle(f"{changed(LINE1, 54, field)}\n{LINE2}")
    assert elements.bstar_per_earth_radius == value


@pytest.mark.parametrize(
    ("line1", "line2", "key", "line", "column"),
    [
        (LINE1[:-1] + "7", LINE2, "checksum", 1, 69),
        (LINE1, LINE2[:-1] + "9", "checksum", 2, 69),
        (LINE1[:-1], LINE2, "", 1, 69),
        (LINE1, LINE2 + " extra", "", 2, 70),
        (LINE1, changed(LINE2, 3, "90002"), "catalogue number", 2, 3),
        (changed(LINE1, 19, "24  x.0000000 "), LINE2, "epoch", 1, 19),
        (changed(LINE1, 19, "24367.00000000"), LINE2, "epoch", 1, 19),
        (changed(LINE1, 19, "24000.50000000"), LINE2, "epoch", 1, 19),
        (changed(LINE1, 54, " 12E45-3"), LINE2, "bstar", 1, 54),
        (changed(LINE1, 63, "4"), LINE2, "ephemeris type", 1, 63),
        (changed(LINE1, 44, "x"), LINE2, "", 1, 44),
        (LINE1, changed(LINE2, 9, "190.0000"), "inclination", 2, 9),
        (LINE1, changed(LINE2, 18, " 4 .0000"), "right ascension of the node", 2, 18),
        (LINE1, changed(LINE2, 27, "00120.0"), "eccentricity", 2, 27),
        (LINE1, changed(LINE2, 27, "001200 "), "eccentricity", 2, 27),
        (LINE1, changed(LINE2, 53, " 0.00000000"), "mean motion", 2, 53),
        (LINE1, changed(LINE2, 53, "24.00000000"), "mean motion", 2, 53),
        (LINE1, changed(LINE2, 64, " 1x34"), "revolution number", 2, 64),
    ],
)
def test_what_is_wrong_is_told_with_its_field_line_and_column(
    line1: str, line2: str, key: str, line: int, column: int
) -> None:
    error = error_of(f"{line1}\n{line2}\n")
    assert (error.key, error.line, error.column) == (key, line, column)
    assert error.expected
    assert error.found


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        (f"{LINE1[:20]}\x00{LINE1[21:]}\n{LINE2}", 1, 21),
        (f"NAME\tX\n{LINE1}\n{LINE2}", 1, 5),
        (f"caf\xe9\n{LINE1}\n{LINE2}", 1, 4),
        (f"{LINE1}\n{LINE2}\n\x1a", 3, 1),
    ],
)
def test_stray_bytes_are_pointed_at(text: str, line: int, column: int) -> None:
    error = error_of(text)
    assert (error.line, error.column) == (line, column)
    assert error.expected == "printable ASCII characters"


def test_bytes_that_are_no_text_are_pointed_at() -> None:
    error = error_of(f"{LINE1}\n".encode() + b"2 9\xff")
    assert (error.line, error.column, error.found) == (2, 4, "byte 0xFF")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (f"{LINE1}\n", 1),
        (f"{LINE2}\n", 1),
        (f"{LINE1}\n{LINE1}\n", 2),
        (f"{LINE1}\n\n{LINE2}\n{LINE2}\n", 4),
        (f"A\nB\n{LINE1}\n{LINE2}\n", 2),
        (f"{LINE1}\n{LINE2}\nNAME ALONE\n", 3),
        (f"{LINE1}\n{LINE2}\n{LINE1[:20]}\n{LINE2}\n", 4),
        ("", 0),
        ("\n \n", 0),
        (
            "<html>nothing here, but a rather long line that a server sent instead of a set</html>",
            1,
        ),
    ],
)
def test_sets_that_are_not_whole_are_refused(text: str, line: int) -> None:
    assert error_of(text).line == line


elements_that_fit = st.builds(
    ElementSet,
    name=st.just(""),
    catalogue_number=st.integers(0, 339_999),
    international_designator=st.sampled_from(["", "1998-067A", "2024-900AAA", "ODD"]),
    epoch=st.floats(from_text("1957-01-02T00:00:00Z"), from_text("2056-12-30T00:00:00Z")),
    mean_motion_rev_per_day=st.floats(1e-4, 19.9),
    eccentricity=st.floats(0, 0.99),
    inclination_deg=st.floats(0, 180),
    raan_deg=st.floats(0, 360),
    argument_of_perigee_deg=st.floats(0, 360),
    mean_anomaly_deg=st.floats(0, 360),
    bstar_per_earth_radius=st.floats(-9, 9),
    mean_motion_dot_rev_per_day2=st.floats(-0.9, 0.9),
    mean_motion_ddot_rev_per_day3=st.floats(-0.9, 0.9),
    classification=st.sampled_from("UCS"),
    element_set_number=st.integers(0, 9999),
    revolution_number=st.integers(0, 99_999),
)


@given(elements_that_fit)
@settings(max_examples=200, deadline=None)
def test_what_is_written_reads_back_within_the_formats_resolution(elements: ElementSet) -> None:
    line1, line2 = format_tle(elements)
    assert len(line1) == len(line2) == 69
    (back,) = parse_tle(f"{line1}\n{line2}")
    assert format_tle(back) == (line1, line2)
    assert back.catalogue_number == elements.catalogue_number
    assert back.international_designator == elements.international_designator
    assert back.epoch == pytest.approx(elements.epoch, abs=0.5e-8 * 86_400 + 2e-6)
    assert back.mean_motion_rev_per_day == pytest.approx(
        elements.mean_motion_rev_per_day, abs=0.51e-8
    )
    assert back.eccentricity == pytest.approx(elements.eccentricity, abs=0.51e-7)
    for name in ("raan_deg", "argument_of_perigee_deg", "mean_anomaly_deg"):
        apart = (getattr(back, name) - getattr(elements, name) + 180) % 360 - 180
        assert abs(apart) <= 0.51e-4
    assert back.inclination_deg == pytest.approx(elements.inclination_deg, abs=0.51e-4)
    assert back.bstar_per_earth_radius == pytest.approx(
        elements.bstar_per_earth_radius, rel=0.51e-4, abs=0.51e-14
    )


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"catalogue_number": 340_000}, "catalogue number"),
        ({"catalogue_number": -1}, "catalogue number"),
        ({"epoch": from_text("2057-06-01T00:00:00Z")}, "epoch"),
        ({"eccentricity": 0.99999999}, "eccentricity"),
        ({"mean_motion_rev_per_day": 0.0}, "mean motion"),
        ({"mean_motion_dot_rev_per_day2": 1.5}, "mean motion dot"),
        ({"bstar_per_earth_radius": 1e10}, "bstar"),
        ({"classification": "UU"}, "classification"),
        ({"international_designator": "2024-900A-WRONG"}, "international designator"),
    ],
)
def test_what_does_not_fit_the_format_is_refused_by_name(
    change: dict[str, object], key: str
) -> None:
    from dataclasses import replace

    (elements,) = parse_tle(f"{LINE1}\n{LINE2}")
    with pytest.raises(InputError) as caught:
        format_tle(replace(elements, **change))  # type: ignore[arg-type]
    assert caught.value.key == key


@given(st.text(max_size=200))
@settings(max_examples=300, deadline=None)
def test_no_text_at_all_gives_anything_but_sets_or_an_input_error(text: str) -> None:
    with pytest.raises(InputError):
        parse_tle(text)


@given(st.integers(0, 138), st.characters())
@settings(max_examples=500, deadline=None)
def test_one_changed_character_never_gives_anything_but_sets_or_an_input_error(
    place: int, character: str
) -> None:
    text = f"{LINE1}\n{LINE2}"
    try:
        found = parse_tle(text[:place] + character + text[place + 1 :])
    except InputError:
        return
    assert found[0].catalogue_number == 90001
