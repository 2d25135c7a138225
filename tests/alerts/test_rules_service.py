"""What is wrong with the service itself, or with what it knows of a target."""

from contactd.alerts import Leads, Policy, candidates
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.outlook import ClockTrust, ConfigurationStatus, ElementsInUse

POLICY = Policy()


def of_kind(found, kind):
    return [each for each in found.candidates if each.kind == kind]


def test_a_quiet_world_has_nothing_to_tell(world):
    assert candidates(world.snapshot(), POLICY, world.noon).candidates == ()


def test_elements_are_stale_from_the_very_second_that_they_are(world):
    elements = ElementsInUse(
        world.noon - 86_400 + 30, "lantern-3.xml", 86_400, 1.0, OrbitError(1.0)
    )
    given = of_kind(
        candidates(world.snapshot(elements=elements), POLICY, world.noon), kinds.ELEMENTS_STALE
    )
    assert [(each.due - world.noon, each.severity) for each in given] == [(30.0, Severity.CAUTION)]
    assert given[0].facts["source"] == "lantern-3.xml"


def test_a_refused_configuration_shows_its_first_error_and_keeps_the_others(world):
    problems = tuple(f"targets/moth.yaml:{line}:3: …" for line in range(1, 40))
    status = ConfigurationStatus("aa", world.noon, problems)
    given = of_kind(
        candidates(world.snapshot(configuration=status), POLICY, world.noon),
        kinds.CONFIGURATION_REFUSED,
    )
    assert "39 errors, first targets/moth.yaml:1:3" in given[0].what
    assert len(given[0].facts["problems"]) == 20


def test_other_errors_in_the_files_are_the_same_alert_with_other_parts(world):
    def refused(*problems: str):
        status = ConfigurationStatus("aa", world.noon, problems)
        found = candidates(world.snapshot(configuration=status), POLICY, world.noon)
        return of_kind(found, kinds.CONFIGURATION_REFUSED)[0]

    assert refused("a:1:1: x").series == refused("a:2:1: x").series
    assert refused("a:1:1: x").facts["parts"] != refused("a:2:1: x").facts["parts"]


def test_a_clock_that_cannot_be_trusted_says_why(world):
    clock = ClockTrust(False, "the clock was set back by 60.0 s")
    given = of_kind(
        candidates(world.snapshot(clock=clock), POLICY, world.noon), kinds.CLOCK_NOT_TRUSTED
    )
    assert "set back by 60.0 s" in given[0].what
    assert given[0].severity is Severity.CAUTION


def looked_for(found, kind, subject="Lantern 3"):
    return found.looked_for(kind, subject.partition("/")[0], subject, "")


STEP = "Lantern 3/wake-up/antenna release"


def test_a_target_that_cannot_be_predicted_was_looked_at_only_for_that(world):
    forecasts = [world.forecast(world.step(10, 20))]
    found = candidates(
        world.snapshot(problem="it has decayed", forecasts=forecasts), POLICY, world.noon
    )
    assert "it has decayed" in of_kind(found, kinds.NO_PREDICTION)[0].what
    assert not looked_for(found, kinds.STEP_AT_RISK, STEP)
    assert looked_for(found, kinds.NO_PREDICTION)
    assert looked_for(found, kinds.ELEMENTS_STALE)
    without = world.snapshot(problem="no elements", elements=None)
    assert not looked_for(candidates(without, POLICY, world.noon), kinds.ELEMENTS_STALE)


def test_what_has_no_outlook_was_not_looked_at_whether_planned_or_not(world):
    for planned_at in (None, world.noon):
        snapshot = world.snapshot(planned_at=planned_at, targets={})
        found = candidates(snapshot, POLICY, world.noon)
        assert not looked_for(found, kinds.STEP_AT_RISK, STEP)
        assert found.looked_for(kinds.CLOCK_NOT_TRUSTED, "", "contactd", "")


def test_a_kind_that_is_disabled_is_not_looked_for(world):
    policy = Policy(Leads(disabled_kinds=frozenset({kinds.STEP_AT_RISK, kinds.LEDGER_TROUBLE})))
    forecasts = [world.forecast(world.step(10, 20))]
    found = candidates(world.snapshot(forecasts=forecasts), policy, world.noon)
    assert looked_for(found, kinds.STEP_UNCOVERED, STEP)
    assert not looked_for(found, kinds.STEP_AT_RISK, STEP)
    assert not found.looked_for(kinds.LEDGER_TROUBLE, "", "contactd", "")


def test_a_prediction_that_ends_soon_is_told(world):
    policy = Policy(span_least_s=6 * 3600.0)
    long = world.snapshot(span=(world.noon - 100, world.noon + 7 * 3600))
    assert not of_kind(candidates(long, policy, world.noon), kinds.SPAN_ENDS)
    # Seen from a plan of an hour and a half before, half of what was planned is left.
    short = world.snapshot(span=(world.noon - 100, world.noon + 3600), planned_at=world.noon - 5400)
    assert of_kind(candidates(short, policy, world.noon), kinds.SPAN_ENDS)


def test_a_short_horizon_that_rolls_on_is_no_caution(world):
    snapshot = world.snapshot(span=(world.noon - 100, world.noon + 3600))
    assert not of_kind(candidates(snapshot, POLICY, world.noon), kinds.SPAN_ENDS)


def test_a_plan_that_is_not_renewed_is_a_warning(world):
    snapshot = world.snapshot(planned_at=world.noon - 901)
    given = of_kind(candidates(snapshot, POLICY, world.noon), kinds.PLANNING_OVERDUE)
    assert [each.severity for each in given] == [Severity.WARNING]


def test_a_plan_that_was_slept_through_has_its_time_to_be_renewed(world):
    for awake_s, given in ((899, False), (901, True)):
        slept = world.snapshot(planned_at=world.noon - 7200, looking_since=world.noon - awake_s)
        found = of_kind(candidates(slept, POLICY, world.noon), kinds.PLANNING_OVERDUE)
        assert any(each.due <= world.noon for each in found) is given


def test_a_ledger_that_cannot_be_written_is_a_warning(world):
    snapshot = world.snapshot(ledger_trouble="the ledger x cannot be used: the disk is full")
    given = of_kind(candidates(snapshot, POLICY, world.noon), kinds.LEDGER_TROUBLE)
    assert "the disk is full" in given[0].what


def test_the_next_moment_at_which_anything_changes_is_known(world):
    elements = ElementsInUse(
        world.noon - 86_400 + 30, "lantern-3.xml", 86_400, 1.0, OrbitError(1.0)
    )
    found = candidates(world.snapshot(elements=elements), POLICY, world.noon)
    assert found.next_due(world.noon) == world.noon + 30
    assert found.next_due(world.noon + 30) == found.until
