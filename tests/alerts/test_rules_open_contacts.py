"""Contacts while it is open how a planned manoeuvre goes."""

from contactd.alerts import Leads, Policy, candidates
from contactd.core import alert as kinds
from contactd.core.intervals import IntervalSet

POLICY = Policy(Leads(contact_s=(600.0, 60.0)), ahead_s=4000.0)


def given(world, seen, *contacts, policy=POLICY):
    open_contacts = {"Norrsund": IntervalSet.of((world.noon + a, world.noon + b) for a, b in seen)}
    snapshot = world.snapshot(contacts=contacts, open_contacts=open_contacts)
    found = candidates(snapshot, policy, world.noon).candidates
    return [each for each in found if each.kind == kinds.CONTACT_COMING]


def test_a_contact_that_may_come_earlier_is_told_that_much_earlier(world):
    planned = world.contact(3000, 3400)
    found = given(world, [(2700, 3500)], planned)
    # 3 s of timing error beside the 300 s of the manoeuvre.
    assert [each.due - world.noon for each in found] == [2097.0, 2637.0]
    assert {each.moment for each in found} == {planned.aos}
    assert "A planned manoeuvre leaves 12:44:57Z to 12:58:23Z possible." in found[0].do
    assert found[0].facts["possible"]["from"] == "2026-12-03T12:44:57.000Z"
    assert {each.over_at - world.noon for each in found} == {3503.0}


def test_an_early_contact_is_not_missed_behind_one_that_is_sure(world):
    sure, open_one = world.contact(6000, 6200), world.contact(6300, 6700, station="Greywater")
    open_contacts = {
        "Greywater": IntervalSet([world.noon + 4400], [world.noon + 6800]),
    }
    snapshot = world.snapshot(contacts=[sure, open_one], open_contacts=open_contacts)
    found = [
        each
        for each in candidates(snapshot, POLICY, world.noon).candidates
        if each.kind == kinds.CONTACT_COMING
    ]
    assert [(each.subject, each.due - world.noon) for each in found] == [
        ("Lantern 3/Greywater", 3797.0)
    ]


def test_a_contact_that_only_another_outcome_brings_is_told_as_such(world):
    found = given(world, [(1000, 1600)])
    assert [each.due - world.noon for each in found] == [397.0, 937.0]
    assert found[0].what == (
        "Lantern 3: possible contact with Norrsund, 2026-12-03 12:16:37Z to 12:26:43Z."
    )


def test_as_planned_and_otherwise_are_one_fact_once_it_is_known(world):
    (open_one, _) = given(world, [(1000, 1600)])
    (sure, _) = given(world, [], world.contact(1200, 1700))
    assert sure.series == open_one.series
    assert sure.meets(open_one.begins, open_one.ends)
