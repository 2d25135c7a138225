"""Seeded draws of invented truths: what is learned of them never excludes them.

``python tests/support/observed.py 300`` draws as many as one likes.
"""

from dataclasses import replace

import numpy as np
import pytest
from observed import EPOCH, doppler_draw, identify_draw, low_orbit, several_draw, strips_draw

from contactd.core.instants import DAY_S
from contactd.core.learning.receptions import strip_of
from contactd.core.orbit.sgp4_track import Sgp4Track


@pytest.mark.parametrize("seed", range(15))
def test_no_truth_lies_outside_what_receptions_leave_possible(seed):
    strips, found, learned, truth = strips_draw(seed)

    assert not strips.contradictory
    for bounds, true in found:
        assert bounds[0] - 1e-3 <= true <= bounds[1] + 1e-3
    if learned is not None:
        for days in (-0.3, 0.0, 0.2, 1.0, 4.0):
            at = learned.at + days * DAY_S
            assert abs(learned.offset_at(at) - truth.at(at)) <= learned.bound_at(at) + 1e-3


def test_receptions_narrow_what_was_assumed():
    widths = []
    for seed in range(15):
        strips, _, learned, _ = strips_draw(seed)
        if learned is not None:
            widths.append(learned.bound_s / strips.growth.at(1.0))
    assert np.median(widths) < 0.7


def test_doppler_of_one_contact_gives_the_offset_within_six_tenths_of_a_second():
    drawn = [doppler_draw(seed) for seed in range(30)]
    good = [(estimate, true) for estimate, true in drawn if estimate.acceptable]
    errors = np.array([abs(estimate.offset_s - true) for estimate, true in good])

    assert len(good) >= 27
    assert np.quantile(errors, 0.95) < 0.6
    inside = np.mean([abs(each.offset_s - true) <= each.bound_s for each, true in good])
    assert inside >= 0.93


def test_bounds_after_several_contacts_hold_as_often_as_they_say():
    random = np.random.default_rng(7)
    rows = np.array([several_draw(random) for _ in range(600)])
    inside = (np.abs(rows[:, :, 0]) <= rows[:, :, 1]).mean(axis=0)

    assert (inside >= 0.93).all()
    assert np.quantile(np.abs(rows[:, 0, 0]), 0.95) < 2.0


def test_doppler_names_the_right_one_of_ten_objects_ten_seconds_apart():
    found = [identify_draw(seed, 10.0, 2.0) for seed in range(4)]

    assert sum(each.answer == name for each, name in found) >= 3
    assert not [name for each, name in found if each.answer not in (None, name)]


def test_it_is_not_decided_where_the_orbit_error_is_as_wide_as_the_separation():
    for seed in range(2):
        found, _ = identify_draw(seed, 5.0, 5.0)
        assert found.answer is None
        assert "99 % are needed" in found.reason


def test_a_target_off_its_track_may_be_heard_from_a_little_lower():
    strips, _, _, _ = strips_draw(3)
    heard = strips.strips[0]
    random = np.random.default_rng(3)
    track = Sgp4Track(low_orbit(random))

    wide = strip_of(track, EPOCH, replace(heard.reception, displacement_km=5.0), strips.growth)

    assert wide.offsets_s[0] < heard.offsets_s[0] - 0.1
