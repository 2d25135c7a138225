"""Contacts and command windows: what is told, when it falls due, and by what it is known again."""

import pytest

from contactd.alerts import Leads, Policy, candidates
from contactd.core import alert as kinds
from contactd.core.alert import Severity

QUIET = Leads(contact_s=(), window_s=())


def of_kind(found, kind):
    return [each for each in found.candidates if each.kind == kind]


def test_a_contact_is_told_each_lead_before_its_earliest_aos(world):
    snapshot = world.snapshot(contacts=[world.contact(630, 900)])
    policy = Policy(Leads(contact_s=(600.0, 60.0)), ahead_s=1000.0)
    found = of_kind(candidates(snapshot, policy, world.noon), kinds.CONTACT_COMING)
    # The elements' timing error is 3 s: AOS may come 3 s earlier than predicted.
    assert [each.due - world.noon for each in found] == [27.0, 567.0]
    assert {each.moment - world.noon for each in found} == {630.0}
    assert {each.over_at - world.noon for each in found} == {903.0}


def test_a_contact_says_where_when_how_long_and_how_high(world):
    windows = {"Norrsund": world.coverage((650, 880))}
    snapshot = world.snapshot(contacts=[world.contact(630, 900)], windows=windows)
    given = of_kind(candidates(snapshot, Policy(ahead_s=100), world.noon), kinds.CONTACT_COMING)[0]
    assert given.what == (
        "Lantern 3: AOS with Norrsund 2026-12-03 12:10:30Z ± 3 s, LOS 12:15:00Z, max 43°."
    )
    assert given.do == (
        "Station operator: point to azimuth 211° before 12:10:30Z. Commands 12:10:50Z to 12:14:40Z."
    )
    assert given.severity is Severity.ADVISORY
    assert given.facts["aos"] == "2026-12-03T12:10:30.000Z"


def test_low_contacts_and_unwanted_targets_are_not_told(world):
    low, high = world.contact(100, 200, max_elevation_deg=4.0), world.contact(500, 900)
    snapshot = world.snapshot(contacts=[low, high])
    picky = Policy(Leads(contact_least_elevation_deg=10.0))
    found = of_kind(candidates(snapshot, picky, world.noon), kinds.CONTACT_COMING)
    assert {each.moment for each in found} == {high.aos}
    silent = Policy(targets={"Lantern 3": QUIET})
    assert not of_kind(candidates(snapshot, silent, world.noon), kinds.CONTACT_COMING)
    disabled_kinds = Policy(Leads(disabled_kinds=frozenset({kinds.CONTACT_COMING})))
    assert not of_kind(candidates(snapshot, disabled_kinds, world.noon), kinds.CONTACT_COMING)


def test_a_contact_that_is_cut_by_the_start_of_the_prediction_has_no_aos_to_tell(world):
    cut = world.contact(-900, 900, cut_at_start=True)
    found = candidates(world.snapshot(contacts=[cut]), Policy(), world.noon)
    assert not of_kind(found, kinds.CONTACT_COMING)


def test_a_contact_under_way_is_still_worth_telling_and_one_that_is_over_is_not(world):
    snapshot = world.snapshot(contacts=[world.contact(-300, 300), world.contact(-900, -500)])
    found = of_kind(candidates(snapshot, Policy(), world.noon), kinds.CONTACT_COMING)
    assert {each.moment - world.noon for each in found} == {-300.0}


def test_after_downtime_what_is_over_is_given_too_back_to_its_beginning(world):
    contacts = [world.contact(-7200, -7000), world.contact(-3600, -3400)]
    snapshot = world.snapshot(contacts=contacts)
    policy = Policy(Leads(contact_s=(60.0,)))
    since = world.noon - 5000
    found = of_kind(candidates(snapshot, policy, world.noon, since), kinds.CONTACT_COMING)
    assert {each.moment - world.noon for each in found} == {-3600.0}


def test_downtime_longer_than_what_is_caught_up_on_is_cut(world):
    contacts = [world.contact(-7200, -7000), world.contact(-3600, -3400)]
    snapshot = world.snapshot(contacts=contacts)
    policy = Policy(Leads(contact_s=(60.0,)), catch_up_s=5000.0)
    since = world.noon - 80_000
    found = of_kind(candidates(snapshot, policy, world.noon, since), kinds.CONTACT_COMING)
    assert {each.moment - world.noon for each in found} == {-3600.0}


def test_a_contact_is_one_alert_told_as_commands_open_and_before_they_close(world):
    windows = {"Norrsund": world.coverage((100, 400))}
    snapshot = world.snapshot(contacts=[world.contact(90, 420)], windows=windows)
    found = candidates(snapshot, Policy(Leads(contact_s=(60.0,)), ahead_s=800.0), world.noon)
    # ± 3 s: AOS may come earlier, commands may be possible earlier, and no more earlier.
    assert [each.due - world.noon for each in found.candidates if each.target] == [27, 97, 337]
    assert len({each.series for each in found.candidates if each.target}) == 1


def contact_at(world, at: float, **windows: tuple[float, float]):
    """What is said of the first contact at so many seconds after noon."""
    contacts = [world.contact(90, 420)]
    given = {name.replace("_", " "): world.coverage(span) for name, span in windows.items()}
    snapshot = world.snapshot(at=at, contacts=contacts, windows=given)
    found = of_kind(candidates(snapshot, Policy(), world.noon + at), kinds.CONTACT_COMING)
    return max((each for each in found if each.due <= world.noon + at), key=lambda c: c.due)


def test_what_is_said_of_a_contact_is_what_is_so_at_each_moment(world):
    windows = {"Norrsund": (100, 400), "Sable_Point": (1000, 1300)}
    before = contact_at(world, 60, **windows)
    assert before.do == (
        "Station operator: point to azimuth 211° before 12:01:30Z. Commands 12:01:40Z to 12:06:40Z."
    )
    during = contact_at(world, 200, **windows)
    assert during.what == (
        "Lantern 3: in contact with Norrsund until 2026-12-03 12:07:00Z ± 3 s. "
        "Commands until 2026-12-03 12:06:37Z."
    )
    assert during.do == "Controller: send planned commands through Norrsund by 12:06:37Z."
    closing = contact_at(world, 350, **windows)
    assert closing.do == (
        "Controller: send remaining commands through Norrsund by 12:06:37Z. "
        "Next: Sable Point, 12:16:40Z."
    )
    closed = contact_at(world, 410, **windows)
    assert closed.do == "Controller: hold commands until 12:16:40Z, through Sable Point."


def test_a_window_that_another_station_has_open_too_says_so(world):
    closing = contact_at(world, 350, Norrsund=(100, 400), Sable_Point=(350, 900))
    assert "Sable Point is open until 12:15:00Z" in closing.do


def test_a_window_shorter_than_its_warning_is_not_said_to_close_soon(world):
    windows = {"Norrsund": world.coverage((100, 150))}
    snapshot = world.snapshot(contacts=[world.contact(90, 420)], windows=windows)
    found = candidates(snapshot, Policy(Leads(contact_s=()), ahead_s=800.0), world.noon)
    assert [each.due - world.noon for each in found.candidates if each.target] == [97]


def test_the_ends_of_the_prediction_are_not_taken_for_openings_and_closings(world):
    ends = (-86_400.0, 7 * 86_400.0)
    always = world.contact(*ends, cut_at_start=True, cut_at_end=True)
    policy = Policy(ahead_s=8 * 86_400.0)
    snapshot = world.snapshot(contacts=[always], windows={"Norrsund": world.coverage(ends)})
    found = candidates(snapshot, policy, world.noon, world.noon - 90_000)
    assert not of_kind(found, kinds.CONTACT_COMING)


NEEDED = Policy(Leads(contacts="needed"), ahead_s=10_000.0)


@pytest.mark.parametrize(
    ("step", "needed"),
    [
        (None, False),
        ({"earliest": 700, "latest": 760}, True),
        ({"earliest": 3000, "latest": 3060}, False),
        ({"earliest": 3000, "latest": 3060, "stop_by": 800, "stop_station": "Norrsund"}, True),
        ({"earliest": 3000, "latest": 3060, "stop_by": 800, "stop_station": "Sable Point"}, False),
        ({"earliest": 300, "latest": 360, "confirm_at": 640, "confirm_station": "Norrsund"}, True),
    ],
)
def test_a_routine_contact_is_told_only_where_a_step_or_a_decision_hangs_on_it(world, step, needed):
    forecasts = [] if step is None else [world.forecast(world.step(**step))]
    snapshot = world.snapshot(contacts=[world.contact(630, 900)], forecasts=forecasts)
    found = of_kind(candidates(snapshot, NEEDED, world.noon), kinds.CONTACT_COMING)
    assert bool(found) is needed


@pytest.mark.parametrize("shift", [-60.0, -1.0, 0.5, 45.0, 60.0])
def test_a_contact_that_new_elements_moved_by_up_to_a_minute_is_the_same_fact(world, shift):
    policy = Policy(ahead_s=1000.0)
    before = candidates(world.snapshot(contacts=[world.contact(630, 700)]), policy, world.noon)
    moved = world.contact(630 + shift, 700 + shift)
    after = candidates(world.snapshot(contacts=[moved]), policy, world.noon)
    for one, other in zip(before.candidates, after.candidates, strict=True):
        assert one.series == other.series
        assert other.meets(one.begins, one.ends)


def test_two_contacts_that_a_ridge_parts_are_two_facts(world):
    contacts = [world.contact(600, 700), world.contact(730, 800)]
    found = candidates(world.snapshot(contacts=contacts), Policy(ahead_s=1000.0), world.noon)
    first, second = (
        next(each for each in found.candidates if each.moment == contact.aos)
        for contact in contacts
    )
    assert first.series == second.series
    assert not second.meets(first.begins, first.ends)


def test_the_same_times_at_another_station_are_another_fact(world):
    contacts = [world.contact(600, 700), world.contact(600, 700, station="Sable Point")]
    found = candidates(world.snapshot(contacts=contacts), Policy(ahead_s=100.0), world.noon)
    assert len({each.series for each in found.candidates}) == 2
