"""Orbit mean-elements messages as they are written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.errors import InputError
from contactd.core.instants import from_text
from contactd.core.orbit import format_omm, parse_omm
from contactd.core.orbit.elements import ElementSet

S03 = (Path(__file__).parents[2] / "reference" / "data" / "S03.omm").read_text()

any_elements = st.builds(
    ElementSet,
    name=st.text(st.characters(codec="ascii", categories=("L", "N", "P", "S")), min_size=1,
                 max_size=30),
    catalogue_number=st.integers(0, 999_999_999),
    international_designator=st.sampled_from(["1998-067A", "2024-900AAA"]),
    epoch=st.floats(from_text("1973-01-02T00:00:00Z"), from_text("2099-12-30T00:00:00Z")),
    mean_motion_rev_per_day=st.floats(1e-4, 19.9),
    eccentricity=st.floats(0, 0.99),
    inclination_deg=st.floats(0, 180),
    raan_deg=st.floats(0, 360),
    argument_of_perigee_deg=st.floats(0, 360),
    mean_anomaly_deg=st.floats(0, 360),
    bstar_per_earth_radius=st.floats(-9, 9),
    mean_motion_dot_rev_per_day2=st.floats(-0.9, 0.9),
    mean_motion_ddot_rev_per_day3=st.floats(-0.9, 0.9),
    element_set_number=st.integers(0, 9999),
    revolution_number=st.integers(0, 99_999),
)  # fmt: skip


@given(st.lists(any_elements, min_size=1, max_size=3), st.sampled_from(["kvn", "xml", "json"]))
@settings(max_examples=150, deadline=None)
def test_what_is_written_reads_back_the_same(sets: list[ElementSet], style: str) -> None:
    back = parse_omm(format_omm(sets, style))
    assert [replace(each, epoch=0) for each in back] == [replace(each, epoch=0) for each in sets]
    for read, written in zip(back, sets, strict=True):
        assert read.epoch == pytest.approx(written.epoch, abs=1.1e-6)


def test_a_name_that_kvn_cannot_hold_is_refused_there_and_written_elsewhere() -> None:
    (elements,) = parse_omm(S03)
    named = replace(elements, name="Lumière")
    with pytest.raises(InputError, match="XML"):
        format_omm(named, "kvn")
    for style in ("xml", "json"):
        assert parse_omm(format_omm(named, style)) == (named,)


def test_another_style_is_a_programmers_mistake() -> None:
    with pytest.raises(ValueError, match="kvn, xml or json"):
        format_omm(parse_omm(S03), "csv")
