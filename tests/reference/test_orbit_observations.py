"""What receptions, Doppler and tracking messages say, against reference computations.

Source: data/orbit_observation_cases.json and data/tdm_cases.json, made with sgp4, skyfield, numpy
and scipy (linear programmes, least squares with Huber's weights); the texts of the messages were
read back with Orekit 13.1, with the same values.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from contactd.core.errors import InputError
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S, from_text
from contactd.core.learning.identification import Candidate, identify
from contactd.core.learning.measured import Kind, Measured
from contactd.core.learning.offset import estimate_offset
from contactd.core.learning.receptions import Growth, Reception, Strips, strip_of
from contactd.core.learning.sightline import Sightline
from contactd.core.learning.tracking import Reading, contacts_of
from contactd.core.orbit import parse_tle
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.tdm import parse_tdm

DATA = Path(__file__).parent / "data"
CASES = json.loads((DATA / "orbit_observation_cases.json").read_text())
TDM = json.loads((DATA / "tdm_cases.json").read_text())
STRIP_S = 5e-3


def names(case):
    return case["name"]


def elements_of(lines):
    return parse_tle("\n".join(lines))[0]


def station_of(place, name="Greywater"):
    return Station(name, place["latitude_deg"], place["longitude_deg"], place["altitude_m"])


def measured_of(case, track):
    at = np.array([from_text(when) for when, _ in case["samples"]])
    hz = np.array([value for _, value in case["samples"]])
    line = Sightline(track, station_of(case["station"]))
    sent = np.full(len(at), case["transmit_hz"])
    return Measured(Kind.FREQUENCY, line, at, hz, case["noise_hz"], sent)


@pytest.mark.parametrize("case", CASES["offsets"], ids=names)
def test_receptions_bound_the_offset(case):
    elements = elements_of(case["tle"])
    prior = case["prior"]
    growth = Growth(prior["at_epoch_s"], prior["per_day_s"], prior["per_day2_s"])
    track, station = Sgp4Track(elements), station_of(case["station"])
    made = []
    for each in case["receptions"]:
        heard = Reception(
            station, from_text(each["at"]), each["clock_tolerance_s"], case["skyline_deg"]
        )
        strip = strip_of(track, elements.epoch, heard, growth)
        assert (strip.offsets_s is None) == (each["offsets_s"] is None)
        if strip.offsets_s is not None:
            assert strip.offsets_s == pytest.approx(each["offsets_s"], abs=STRIP_S)
        made.append(strip)
    strips = Strips(tuple(made), growth)

    assert strips.contradictory == case["contradictory"]
    for asked in case["asked"]:
        bounds = strips.bounds_at((from_text(asked["at"]) - elements.epoch) / DAY_S)
        if asked["offset_s"] is None:
            assert bounds is None
        else:
            assert bounds == pytest.approx(asked["offset_s"], abs=STRIP_S)


@pytest.mark.parametrize("case", CASES["doppler"], ids=names)
def test_doppler_gives_the_offset(case):
    track = Sgp4Track(elements_of(case["tle"]))
    found = estimate_offset([measured_of(case, track)], case["prior_offset_sigma_s"])

    assert found.acceptable == case["acceptable"]
    assert found.offset_s == pytest.approx(case["estimate_s"], abs=case["sigma_s"])
    assert found.sigma_s == pytest.approx(case["sigma_s"], rel=0.3)
    assert abs(case["true_offset_s"] - found.offset_s) <= 1.3 * found.bound_s


@pytest.mark.parametrize("case", CASES["identification"], ids=names)
def test_doppler_tells_which_object_it_was(case):
    elements = [elements_of(each) for each in case["candidates"]]
    growth = Growth(1.96 * case["prior_offset_sigma_s"], 0.0)
    candidates = [
        Candidate(str(number), Sgp4Track(each), each.epoch, growth)
        for number, each in enumerate(elements)
    ]
    found = identify(candidates, [measured_of(case, candidates[0].track)])

    answer = case["answer"]
    assert found.answer == (None if answer is None else str(answer))
    shares = {each.name: each.probability for each in found.fits}
    given = [shares[str(number)] for number in range(len(elements))]
    assert given == pytest.approx(case["probabilities"], abs=0.15 if answer is None else 0.05)


def read(text, **how):
    track = Sgp4Track(elements_of(TDM["tle"]))
    stations = {"Greywater": station_of(TDM["station"])}
    return contacts_of(
        parse_tdm(text), track, Reading(frozenset({"Lantern 3"}), stations, {}, **how)
    )


def test_a_message_with_doppler_is_read():
    case = TDM["doppler"]
    first, second = parse_tdm(case["text"]).segments

    assert first.received_hz is not None
    assert second.range_rate_km_s is not None
    assert list(first.received_hz.values) == [value for _, value in case["receive_hz"]]
    instants = [from_text(when) for when, _ in case["receive_hz"]]
    assert list(first.received_hz.instants) == pytest.approx(instants, abs=1e-6)
    assert list(first.transmitted_hz[1].values) == [case["transmit_hz"]]
    assert list(second.range_rate_km_s.values) == [value for _, value in case["range_rate_km_s"]]


def test_the_offset_comes_from_a_messages_frequencies():
    expected = TDM["doppler"]["expected"]
    (contact,) = read(TDM["doppler"]["text"], noise={Kind.FREQUENCY: expected["noise_hz"]})
    frequencies = [each for each in contact.series if each.kind is Kind.FREQUENCY]
    found = estimate_offset(frequencies, expected["prior_offset_sigma_s"])

    assert found.offset_s == pytest.approx(expected["offset_s"], abs=0.1)
    assert found.acceptable


def test_a_message_with_angles_and_range_is_read_and_gives_the_offset():
    case = TDM["angles_and_range"]
    (contact,) = read(case["text"])
    kinds = {each.kind: each for each in contact.series}

    ranges = [each["one_way_range_km"] for each in case["observations"]]
    assert list(kinds[Kind.RANGE].values) == pytest.approx(ranges, abs=1e-4)
    angles = [(each["azimuth_deg"], each["elevation_deg"]) for each in case["observations"]]
    assert kinds[Kind.ANGLES].values.tolist() == [list(pair) for pair in angles]
    for series in ([kinds[Kind.RANGE]], [kinds[Kind.ANGLES]], contact.series):
        found = estimate_offset(series, 5.0)
        assert found.offset_s == pytest.approx(TDM["true_offset_s"], abs=0.1)


def test_two_way_ranges_over_half_the_path_are_not_mistaken_for_the_whole():
    with pytest.raises(InputError, match=r"2\.00 times what is expected"):
        read(TDM["angles_and_range"]["text"], half_range=True)


@pytest.mark.parametrize(
    ("number", "line", "what"),
    [
        (0, 1, "CCSDS_TDM_VERS"),
        (1, 4, "META_START"),
        (2, 8, "NOWHERE is no station of ours"),
        (3, 31, "a number"),
        (4, 10, "XYZ"),
    ],
)
def test_a_message_that_is_wrong_is_refused_at_its_place(number, line, what):
    with pytest.raises(InputError) as refused:
        read(TDM["refused"][number]["text"])

    assert refused.value.line == line
    assert what in str(refused.value)
