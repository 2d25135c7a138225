"""What others write into messages, and what becomes of it."""

import erfa
import numpy as np
import pytest

from contactd.core.errors import InputError
from contactd.core.instants import from_text, tt_julian, ut1_julian
from contactd.core.orbit import format_omm, parse_omm
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.inertial import frame_named, inertial_to_teme
from contactd.core.orbit.tdm import parse_tdm

ELEMENTS = ElementSet(
    "LANTERN 3", 90103, "2026-001A", from_text("2026-12-01T00:00:00Z"), 14.72, 0.0011, 68.3, 4.8,
    63.7, 70.1, 2.4e-5,
)  # fmt: skip
KVN = format_omm([ELEMENTS], "kvn")
XML = format_omm([ELEMENTS], "xml")


def test_a_keyword_without_a_value_is_as_one_that_is_not_there():
    lines = [*KVN.splitlines(), "USER_DEFINED_DECAY_DATE ="]
    blank = [
        f"{line.partition('=')[0]}= " if line.startswith(("CREATION_DATE", "GM", "MEAN_MOTION_DOT"))
        else line
        for line in lines
    ]  # fmt: skip
    assert parse_omm("\n".join(blank)) == parse_omm(KVN)


def test_a_keyword_that_a_message_must_have_is_missed_where_its_value_is():
    lines = ["EPOCH =" if line.startswith("EPOCH") else line for line in KVN.splitlines()]
    with pytest.raises(InputError) as refused:
        parse_omm("\n".join(lines))
    assert refused.value.key == "EPOCH"
    assert lines[refused.value.line - 1] == "EPOCH ="


@pytest.mark.parametrize("name", ["xsi", "ndm"])
def test_a_prefix_that_nobody_declared_does_no_harm(name):
    root, _, rest = XML.partition("<omm ")
    odd = f'{root}<omm {name}:noNamespaceSchemaLocation="anything.xsd" {rest}'
    assert parse_omm(odd) == parse_omm(XML)


def test_what_is_not_well_formed_beside_such_a_prefix_is_still_refused():
    odd = XML.replace("<omm ", '<omm xsi:schemaLocation="x" ').replace("</body>", "</bdy>")
    with pytest.raises(InputError, match="well-formed XML"):
        parse_omm(odd)


def test_a_document_type_is_refused_beside_such_a_prefix():
    head, _, rest = XML.partition("<omm ")
    odd = f'{head}<!DOCTYPE omm [<!ENTITY a "b">]><omm xsi:schemaLocation="x" {rest}'
    with pytest.raises(InputError, match="document type"):
        parse_omm(odd)


def test_the_true_equator_and_equinox_of_date_turn_as_the_iau_sofa_routines_turn_them():
    # Source: SOFA routines gmst82 and gst06a (pyerfa): TEME's x axis lies the equation of the
    # equinoxes away from that of the true equinox of date, about the same pole.
    at = from_text("2020-01-01T00:00:00Z") + np.arange(0, 10 * 365, 37.3) * 86400.0
    tt, ut1 = tt_julian(at), ut1_julian(at)
    apart = erfa.gmst82(*ut1) - erfa.gst06a(*ut1, *tt)
    turn = inertial_to_teme("TOD", at)

    assert frame_named("TOD") == frame_named("TOD_EARTH") == "TOD"
    assert np.abs(turn[:, 0, 0] - np.cos(apart)).max() < 5e-9
    assert np.abs(turn[:, 0, 1] + np.sin(apart)).max() < 5e-9
    assert np.abs(turn[:, 2] - np.array([0.0, 0.0, 1.0])).max() < 5e-9


def tdm(metadata, data):
    return "\n".join(
        ["CCSDS_TDM_VERS = 2.0", "CREATION_DATE = 2026-12-01T00:00:00", "ORIGINATOR =",
         "META_START", "TIME_SYSTEM = UTC", "PARTICIPANT_1 = 'GREYWATER'",
         "PARTICIPANT_2 = LANTERN 3", *metadata, "META_STOP", "DATA_START", *data, "DATA_STOP"]
    )  # fmt: skip


def test_tracking_data_that_cannot_be_used_are_left_out_with_the_reason():
    text = tdm(
        ["PATH = 1,2,1", "RANGE_UNITS = RU", "TIMETAG_REF = TRANSMIT"],
        ["RANGE = 2026-12-01T09:00:00 7.0", "RECEIVE_FREQ_1 = 2026-12-01T09:00:00 1.0",
         "TEMPERATURE = 2026-12-01T09:00:00 271.0"],
    )  # fmt: skip
    (segment,) = parse_tdm(text).segments

    assert segment.participants[1] == "GREYWATER"
    assert segment.received_hz is None
    assert segment.range_km is None
    assert len(segment.unused) == 2
    assert segment.passed_over == 1


@pytest.mark.parametrize(
    ("metadata", "data", "key", "wanted"),
    [
        ([], ["RANGES = 2026-12-01T09:00:00 7.0"], "RANGES", "did you mean RANGE"),
        ([], ["RANGE = 2026-12-01T09:00:00"], "RANGE", "a time and a number"),
        (["PATH = 1,3"], [], "PATH", "PARTICIPANT_3"),
        (["PATH = one"], [], "PATH", "such as 1,2,1"),
        (["CORRECTION_RANGE = 1.0"], [], "CORRECTION_RANGE", "CORRECTIONS_APPLIED"),
        (["INTEGRATION_INTERVAL = 0"], ["DOPPLER_INTEGRATED = 2026-12-01T09:00:00 1.0"],
         "INTEGRATION_INTERVAL", "more than 0 s"),
        ([], ["ANGLE_1 = 2026-12-01T09:00:00 1.0", "ANGLE_2 = 2026-12-01T09:00:00 1.0"],
         "ANGLE_TYPE", "what the angles are"),
    ],
)  # fmt: skip
def test_a_tracking_message_that_is_wrong_is_refused_by_key(metadata, data, key, wanted):
    with pytest.raises(InputError) as refused:
        parse_tdm(tdm(metadata, data))
    assert refused.value.key == key
    assert wanted in str(refused.value)
