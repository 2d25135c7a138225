"""A corrected motion: what it moves, how well it is known, and when it is dropped."""

from dataclasses import replace

import numpy as np
import pytest
from observed import EPOCH, low_orbit

from contactd.core.instants import DAY_S
from contactd.core.learning.applied import corrected, error_of
from contactd.core.learning.correction import (
    corrected_elements,
    correction_body,
    correction_of,
)
from contactd.core.learning.known import Lesson
from contactd.core.learning.receptions import Growth
from contactd.core.learning.several import Learned, Offset, learn_motion
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.record import MOTION_CORRECTED, Record
from contactd.core.target import Target

GROWTH = Growth(2.0, 1.0, 1.5)
ELEMENTS = low_orbit(np.random.default_rng(8))
TARGET = Target("Invented", (ELEMENTS,), "invented.tle")
AT = EPOCH + 1.5 * DAY_S
OFFSETS = (Offset(EPOCH + 0.5 * DAY_S, 1.0, 0.15, 1), Offset(AT, 2.0, 0.15, 2))


def lesson(offsets=OFFSETS):
    learned = learn_motion(EPOCH, GROWTH, offsets)
    rows = tuple((each.at, each.offset_s, each.sigma_s) for each in offsets)
    return Lesson(ELEMENTS, GROWTH, learned, 0, len(rows), (), 0.7, rows, ())


def adopted(number=3, offsets=OFFSETS):
    body = correction_body(lesson(offsets))
    return Record(AT, MOTION_CORRECTED, "Invented", "Ada", body, number=number)


def ahead(elements, offset_s, drift_s_per_day=0.0):
    """The set that runs so much early, as others might publish it."""
    learned = Learned(EPOCH, offset_s, drift_s_per_day, 0.0, 0.0, 0.0, 1)
    return replace(corrected_elements(elements, learned), element_set_number=7)


@pytest.mark.parametrize(("offset_s", "drift"), [(6.0, 0.0), (-9.0, 2.5), (0.4, -1.0)])
def test_corrected_elements_run_early_by_what_was_learned(offset_s, drift):
    learned = Learned(AT, offset_s, drift, 0.3, 0.5, 1.5, 2)
    moved = Sgp4Track(corrected_elements(ELEMENTS, learned))
    at = AT + np.linspace(-1.0, 3.0, 60) * DAY_S
    offsets = np.array([learned.offset_at(float(each)) for each in at])

    wanted, speed = Sgp4Track(ELEMENTS).states(at + offsets)
    found, _ = moved.states(at)
    along = np.einsum("ni,ni->n", found - wanted, speed) / np.linalg.norm(speed, axis=1) ** 2
    assert np.abs(along).max() < 0.02
    # 5 m for each second of offset, and 2/3 of dn/n in the semi-major axis.
    off_km = np.linalg.norm(found - wanted, axis=1).max()
    assert off_km < 0.01 * np.abs(offsets).max() + 5_000.0 * abs(drift) / DAY_S


def test_the_bound_counts_from_the_last_contact_before_and_after():
    learned = lesson().learned
    error = error_of(correction_of(adopted()))
    for days in (-1.0, -0.2, 0.0, 0.5, 3.0):
        at = AT + days * DAY_S
        assert error.at_age_s(at - EPOCH) == pytest.approx(learned.bound_at(at), abs=1e-3)
    assert error.origin == "learned"


def test_a_target_moves_as_an_adopted_correction_says_and_as_before_once_it_is_dropped():
    moved = corrected(TARGET, adopted())

    assert moved.configured == TARGET
    assert moved.elements_source == "invented.tle, corrected by 2 contacts"
    assert moved.error_at(AT).at_age_s(AT - EPOCH) < TARGET.error_at(AT).at_age_s(AT - EPOCH) + 5
    assert corrected(moved, adopted()) == moved
    drop = Record(AT, MOTION_CORRECTED, "Invented", "Ada", {"adopt": False}, number=4)
    assert corrected(moved, drop) == TARGET
    assert corrected(moved, None) == TARGET


def test_newer_elements_that_explain_the_observations_end_the_correction():
    better = replace(ahead(ELEMENTS, 0.5, 1.0), revolution_number=9)
    renewed = replace(TARGET, elements=(ELEMENTS, replace(better, epoch=EPOCH + 1.0)))
    # (An epoch a second later, and all else the same, is a motion a second later.)
    assert corrected(renewed, adopted()).configured is not None
    assert correction_of(adopted()).outlived_by(better)

    renewed = replace(TARGET, elements=(better,))
    assert corrected(renewed, adopted()) == renewed


def test_newer_elements_that_explain_them_worse_leave_it_in_force():
    worse = ahead(ELEMENTS, -3.0)
    assert not correction_of(adopted()).outlived_by(worse)
    moved = corrected(replace(TARGET, elements=(worse,)), adopted())
    assert moved.elements == (correction_of(adopted()).elements,)


def test_elements_weeks_newer_end_it_whatever_they_say():
    late = replace(ahead(ELEMENTS, -3.0), epoch=EPOCH + 40 * DAY_S)
    assert correction_of(adopted()).outlived_by(late)


def test_what_improves_nothing_is_not_adopted():
    with pytest.raises(ValueError, match="no observation counts"):
        correction_body(replace(lesson(), learned=None))
    vague = (Offset(EPOCH + 0.1 * DAY_S, 0.3, 30.0, 1),)
    with pytest.raises(ValueError, match="no better"):
        correction_body(lesson(vague))


def test_a_body_that_cannot_be_read_corrects_nothing():
    broken = replace(adopted(), body={"adopt": True, "omm": "[]"})
    assert correction_of(broken) is None
    assert corrected(TARGET, broken) == TARGET
