"""What is wrong with what is known of a target, and what other elements moved."""

from dataclasses import replace

from contactd.alerts import Policy, candidates
from contactd.alerts.candidate import Sort
from contactd.alerts.policy import Leads
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.change import Basis, ElementsChange, Lone, Shift
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.outlook import ElementsInUse

POLICY = Policy()


def of_kind(found, kind):
    return [each for each in found.candidates if each.kind == kind]


def changed(world, moved_s=45.0, **more):
    shift = Shift("Skerry Head", world.noon + 7200.0, world.noon + 7200.0 + moved_s)
    values = {"compared": 12, "furthest": shift} | more
    return ElementsChange(
        "Lantern 3",
        world.noon,
        Basis("old.xml", world.noon - 86_400.0, "aa"),
        Basis("new.xml", world.noon - 3600.0, "bb"),
        **values,
    )


def told_of(world, change, policy=POLICY, at=1.0):
    snapshot = replace(world.snapshot(at=at), elements_changes={"Lantern 3": change})
    return of_kind(candidates(snapshot, policy, world.noon + at), kinds.CONTACTS_MOVED)


def test_elements_that_move_aos_beyond_the_limit_are_a_caution(world):
    (given,) = told_of(world, changed(world))
    assert given.severity is Severity.CAUTION
    assert given.sort is Sort.EVENT
    assert given.due == world.noon
    assert given.what == (
        "Lantern 3: new elements move AOS with Skerry Head by 45 s, to "
        "2026-12-03 14:00:45Z (later)."
    )
    assert given.do == (
        "Orbit analyst: compare both sets before 14:00:00Z. Use earlier AOS, later LOS."
    )
    assert given.facts["moved_s"] == 45.0
    (earlier,) = told_of(world, changed(world, -90.0))
    assert "by 1 min 30 s" in earlier.what
    assert earlier.what.endswith("(earlier).")


def test_elements_that_move_aos_by_less_than_the_limit_are_only_recorded(world):
    assert told_of(world, changed(world, 29.0)) == []
    strict = Policy(targets={"Lantern 3": Leads(aos_moved_s=20.0)})
    assert len(told_of(world, changed(world, 29.0), strict)) == 1


def test_a_contact_that_came_or_went_counts_as_long_as_it_is(world):
    gone = Lone("Greywater", world.noon + 3600.0, 400.0, appeared=False)
    (given,) = told_of(world, changed(world, 5.0, longest_lone=gone))
    assert given.what == (
        "Lantern 3: new elements remove a contact with Greywater, 2026-12-03 13:00:00Z, "
        "6 min 40 s long."
    )
    assert told_of(world, changed(world, 5.0, longest_lone=replace(gone, duration_s=20.0))) == []


def test_what_moved_is_told_for_a_day(world):
    assert told_of(world, changed(world), at=86_000.0)
    assert not told_of(world, changed(world), at=86_500.0)


def test_a_second_change_is_another_fact(world):
    (one,) = told_of(world, changed(world))
    (other,) = told_of(world, replace(changed(world), at=world.noon + 60.0), at=61.0)
    assert one.series == other.series
    assert not one.meets(other.begins, other.ends)


def test_stale_elements_say_how_old_they_are(world):
    elements = ElementsInUse(
        world.noon - 9 * 86_400, "lantern-3.xml", 3 * 86_400, 9.0, OrbitError(9.0)
    )
    (given,) = of_kind(
        candidates(world.snapshot(elements=elements), POLICY, world.noon), kinds.ELEMENTS_STALE
    )
    assert given.what == "Lantern 3: elements over 9 d old, limit 3 d."
    assert given.facts["age_s"] == 9 * 86_400
    assert given.due == world.noon - 6 * 86_400


def test_elements_of_a_distant_future_are_as_far_from_their_epoch(world):
    elements = ElementsInUse(
        world.noon + 9 * 86_400, "lantern-3.xml", 3 * 86_400, 9.0, OrbitError(9.0)
    )
    (given,) = of_kind(
        candidates(world.snapshot(elements=elements), POLICY, world.noon), kinds.ELEMENTS_STALE
    )
    assert "elements over 9 d ahead of now" in given.what
    assert given.holds_at(world.noon)
    assert given.over_at == world.noon + 6 * 86_400
    near = replace(elements, epoch=world.noon + 86_400)
    (later,) = of_kind(
        candidates(world.snapshot(elements=near), POLICY, world.noon), kinds.ELEMENTS_STALE
    ) or [None]
    assert later is None


def test_a_gap_ahead_is_told_until_it_is_over(world):
    gaps = IntervalSet(
        [world.noon - 7200, world.noon + 3600], [world.noon - 3600, world.noon + 9000]
    )
    found = candidates(world.snapshot(gaps=gaps), POLICY, world.noon)
    (given,) = of_kind(found, kinds.PREDICTION_GAP)
    assert given.what == "Lantern 3: no prediction 2026-12-03 13:00:00Z to 14:30:00Z."
    assert given.severity is Severity.CAUTION
    assert given.holds_at(world.noon)
    assert given.over_at == world.noon + 9000


def test_an_ephemeris_that_has_ended_keeps_its_caution_until_it_is_renewed(world):
    past = world.snapshot(span=(world.noon - 7200, world.noon - 60))
    assert of_kind(candidates(past, POLICY, world.noon), kinds.SPAN_ENDS)[0].holds_at(world.noon)
