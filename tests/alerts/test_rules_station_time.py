"""Station time: only contacts that are ours are announced, and trouble with sharing is told."""

from dataclasses import replace

from contactd.alerts import Policy, candidates
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.intervals import IntervalSet


def announced(world, granted) -> list[float]:
    contacts = [world.contact(100, 400), world.contact(500, 900)]
    snapshot = world.snapshot(contacts=contacts, granted=granted)
    found = candidates(snapshot, Policy(ahead_s=1000), world.noon)
    times = {
        each.moment - world.noon for each in found.candidates if each.kind == kinds.CONTACT_COMING
    }
    return sorted(times)


def test_a_contact_of_which_nothing_was_granted_is_not_announced(world):
    assert announced(world, None) == [100, 500]
    part = IntervalSet([world.noon + 600], [world.noon + 700])
    assert announced(world, {"Norrsund": part}) == [500]
    assert announced(world, {"Elsewhere": part}) == []


def test_trouble_with_sharing_station_time_is_a_caution(world):
    trouble = "the solver is not installed"
    snapshot = replace(world.snapshot(), station_time_trouble=trouble)
    found = candidates(snapshot, Policy(), world.noon).candidates
    (given,) = [each for each in found if each.kind == kinds.STATION_TIME_TROUBLE]
    assert given.severity is Severity.CAUTION
    assert "the solver is not installed" in given.what
    assert "Earlier grants stand." in given.do
