"""The beat of alerts: each fact is told once, on time or late or as missed, whatever happens."""

from dataclasses import dataclass, field, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.alerts import (
    AlertState,
    Candidates,
    Leads,
    Policy,
    Reach,
    candidates,
    evaluate,
    fold_alerts,
)
from contactd.alerts.status import ChannelStatus, Passage, with_channels
from contactd.core import alert as alert_kinds
from contactd.core import record as kinds
from contactd.core.alert import Severity
from contactd.core.instants import from_text
from contactd.core.outlook import ClockTrust, Snapshot
from contactd.core.record import Record
from contactd.core.sequences.model import Covered, StepStatus
from contactd.records import Ledger

LEADS = Leads(contact_s=(600.0, 60.0), window_s=(), closes_s=0.0)
POLICY = Policy(LEADS)
CHANNELS = (Reach("log"), Reach("hook", Severity.CAUTION))


@dataclass
class Watch:
    """A service that beats over a real ledger (in memory), and can be down for a while."""

    ledger: Ledger
    state: AlertState = field(default_factory=AlertState)
    stored: list[Record] = field(default_factory=list)

    def beat(self, snapshot: Snapshot, down_since: float | None = None, policy=POLICY):
        found = candidates(snapshot, policy, snapshot.at, down_since)
        return self.decide(found, snapshot.at, down_since)

    def decide(self, found: Candidates, now: float, down_since: float | None = None):
        made = evaluate(self.state, found, now, down_since, CHANNELS)
        new = [each for each in self.ledger.append(made) if each.number > self.state.number]
        self.stored.extend(new)
        self.state = fold_alerts(self.state, new)
        return new

    def restart(self) -> None:
        """Forget everything that is not in the ledger."""
        self.state = fold_alerts(AlertState(), self.ledger.records())

    def of_kind(self, kind: str) -> list[Record]:
        return [record for record in self.stored if record.kind == kind]

    def raised(self, kind: str) -> list[Record]:
        return [each for each in self.of_kind(kinds.ALERT_RAISED) if each.body["kind"] == kind]


@pytest.fixture
def watch():
    with Ledger.open("sqlite://") as ledger:
        yield Watch(ledger)


def acknowledge(watch, identity: str, at: float) -> None:
    """Somebody has an alert in hand."""
    stored = watch.ledger.append(
        [
            Record(
                world_noon() + at,
                kinds.ALERT_ACKNOWLEDGED,
                "",
                "Ada",
                {"identity": identity},
                f"acknowledged:{identity}:{at}",
            )
        ]
    )
    watch.state = fold_alerts(watch.state, stored)


def world_noon() -> float:
    return from_text("2026-12-03T12:00:00Z")


def test_an_event_is_raised_once_and_told_again_at_each_lead(watch, world):
    contacts = [world.contact(630, 900)]
    told = []
    for at in range(0, 1000, 9):
        for record in watch.beat(world.snapshot(at=at, contacts=contacts)):
            if record.body.get("told", True):
                told.append((at, record.kind, record.body["lead_s"]))
    # Due at 27 s and at 567 s: 600 s and 60 s before the earliest AOS.
    assert told == [(27, kinds.ALERT_RAISED, 600), (567, kinds.ALERT_CHANGED, 60)]


def test_what_is_raised_says_all_that_the_alert_says(watch, world):
    record = watch.beat(world.snapshot(at=30, contacts=[world.contact(630, 900)]))[0]
    assert record.kind == kinds.ALERT_RAISED
    assert record.subject == "Lantern 3/Norrsund"
    assert record.author == "contactd"
    alert = watch.state.tracked[record.body["identity"]].alert
    assert alert.what == record.body["what"]
    assert alert.moment == world.noon + 630
    assert not alert.late
    assert watch.state.open_alerts(world.noon + 40) == (alert,)


def test_channels_get_what_is_severe_enough_for_them(watch, world):
    step = world.step(3000, 3060, coverage=Covered.UNCOVERED)
    snapshot = world.snapshot(contacts=[world.contact(30, 900)], forecasts=[world.forecast(step)])
    by_kind = {each.body["kind"]: tuple(each.body["channels"]) for each in watch.beat(snapshot)}
    assert by_kind[alert_kinds.CONTACT_COMING] == ("log",)
    assert by_kind[alert_kinds.STEP_UNCOVERED] == ("log", "hook")


def test_a_reach_can_be_narrowed_to_kinds_and_targets():
    reach = Reach("x", kinds=frozenset({"a"}), targets=frozenset({"Moth 1"}))
    assert reach.wants(Severity.ADVISORY, "a", "Moth 1")
    assert reach.wants(Severity.ADVISORY, "a", ""), "the service itself concerns everybody"
    assert not reach.wants(Severity.ADVISORY, "b", "Moth 1")
    assert not reach.wants(Severity.ADVISORY, "a", "Lantern 3")


@pytest.mark.parametrize("shift", [-60.0, 3.0, 45.0])
def test_a_contact_that_new_elements_shift_after_it_was_told_is_not_told_again(watch, world, shift):
    watch.beat(world.snapshot(at=30, contacts=[world.contact(630, 900)]))
    watch.restart()
    moved = [world.contact(630 + shift, 900 + shift)]
    for at in (31, 100, 300):
        watch.beat(world.snapshot(at=at, contacts=moved))
    assert not any(each.body["told"] for each in watch.of_kind(kinds.ALERT_CHANGED))
    [alert] = watch.state.open_alerts(world.noon + 300)
    assert alert.moment == world.noon + 630 + shift, "and it says what is so now"


def test_two_leads_that_fall_due_together_are_told_as_one_the_nearer(watch, world):
    records = watch.beat(world.snapshot(at=600, contacts=[world.contact(630, 900)]))
    assert [each.body["lead_s"] for each in records] == [60]
    assert watch.beat(world.snapshot(at=601, contacts=[world.contact(630, 900)])) == []


def test_the_most_severe_is_raised_first(watch, world):
    step = world.step(3000, 3060, coverage=Covered.UNCOVERED, people_in_danger=[(2000, 2500)],
                      keep_clear=(1900, 3600), hazard="motor")  # fmt: skip
    snapshot = world.snapshot(
        contacts=[world.contact(30, 900)],
        forecasts=[world.forecast(step)],
        clock=ClockTrust(False, "why"),
    )
    severities = [each.body["severity"] for each in watch.beat(snapshot)]
    assert severities == sorted(severities, key=["warning", "caution", "advisory"].index)
    assert len(set(severities)) == 3


def test_a_condition_is_raised_once_resolved_when_it_ends_and_raised_anew_later(watch, world):
    bad = [world.forecast(world.step(3000, 3060, coverage=Covered.UNCOVERED))]
    good = [world.forecast(world.step(3000, 3060, coverage=Covered.COVERED))]
    quiet = Policy(Leads(step_s=()))

    def turn(at: float, forecasts):
        return watch.beat(world.snapshot(at=at, forecasts=forecasts), policy=quiet)

    first = turn(0, bad)
    assert turn(1, bad) == []
    resolved = turn(2, good)
    assert [each.kind for each in resolved] == [kinds.ALERT_RESOLVED]
    assert resolved[0].body["identity"] == first[0].body["identity"]
    assert resolved[0].body["why"] == "ended"
    assert resolved[0].body["what"] == (
        "Resolved: Step 'antenna release' of Lantern 3 is running, covered, expiry "
        "2026-12-03 12:50:00Z to 12:51:00Z."
    )
    assert turn(3, good) == []
    again = turn(4, bad)
    assert [each.kind for each in again] == [kinds.ALERT_RAISED]
    assert again[0].body["identity"] != first[0].body["identity"]


def test_a_condition_outlives_restarts_and_small_shifts(watch, world):
    for at, shift in enumerate((0, 5, -20, 40)):
        step = world.step(3000 + shift, 3060 + shift, coverage=Covered.UNCOVERED)
        watch.beat(world.snapshot(at=at, forecasts=[world.forecast(step)]))
        watch.restart()
    assert len(watch.raised(alert_kinds.STEP_UNCOVERED)) == 1
    assert not watch.of_kind(kinds.ALERT_RESOLVED)


def test_a_condition_that_moved_far_is_the_same_alert_and_says_from_when(watch, world):
    for at, shift in enumerate((0, 7200)):
        step = world.step(30_000 + shift, 30_060 + shift, coverage=Covered.UNCOVERED)
        watch.beat(world.snapshot(at=at, forecasts=[world.forecast(step)]))
    assert len(watch.raised(alert_kinds.STEP_UNCOVERED)) == 1
    assert not watch.of_kind(kinds.ALERT_RESOLVED)
    [change] = watch.of_kind(kinds.ALERT_CHANGED)
    assert change.body["news"] == "worse"
    assert change.body["changed"] == "Was 20:20:00Z to 20:21:00Z."
    assert "22:20:00Z to 22:21:00Z" in change.body["what"]


def test_a_condition_that_grows_more_severe_waits_again(watch, world):
    for at, status in enumerate((StepStatus.PLANNED, StepStatus.RUNNING)):
        step = world.step(30_000, 30_060, coverage=Covered.UNCOVERED, status=status)
        made = watch.beat(world.snapshot(at=at, forecasts=[world.forecast(step)]))
        for alert in watch.state.open_alerts(world.noon + at):
            acknowledge(watch, alert.identity, at)
    assert [each.kind for each in made] == [kinds.ALERT_CHANGED]
    assert made[0].body["severity"] == "warning"
    assert made[0].body["again"]
    assert not watch.of_kind(kinds.ALERT_RESOLVED)


def test_a_condition_whose_matter_is_over_is_resolved_as_over(watch, world):
    step = world.step(10, 20, coverage=Covered.UNCOVERED)
    watch.beat(world.snapshot(at=0, forecasts=[world.forecast(step)]))
    watch.beat(world.snapshot(at=20, forecasts=[world.forecast(step)]))
    assert [each.body["why"] for each in watch.of_kind(kinds.ALERT_RESOLVED)] == ["over"]


def unseen(world, how, at, bad):
    """A snapshot that says nothing of the step, for one of the reasons there are."""
    distrusted = ClockTrust(False, "the clock was set forward by 3600.0 s")
    other = world.forecast(world.step(3000, 3060, step="boom out"))
    return {
        "not predicted": lambda: world.snapshot(at=at, problem="its elements cannot be read"),
        "not planned yet": lambda: world.snapshot(at=at, planned_at=None, targets={}),
        "target gone": lambda: world.snapshot(at=at, targets={}),
        "sequence gone": lambda: world.snapshot(at=at, forecasts=[]),
        "step gone": lambda: world.snapshot(at=at, forecasts=[other]),
        "clock an hour ahead": lambda: world.snapshot(
            at=at + 3600, forecasts=bad, clock=distrusted
        ),
    }[how]()


UNSEEN = (
    "not predicted", "not planned yet", "target gone", "sequence gone", "step gone",
    "clock an hour ahead",
)  # fmt: skip


@pytest.mark.parametrize("how", UNSEEN)
def test_what_is_not_looked_at_any_more_is_not_resolved(watch, world, how):
    bad = [world.forecast(world.step(3000, 3060, coverage=Covered.UNCOVERED))]
    watch.beat(world.snapshot(at=0, forecasts=bad))
    watch.beat(unseen(world, how, 1, bad))
    assert not watch.of_kind(kinds.ALERT_RESOLVED)
    # Even when what was known of it would be over by now.
    watch.beat(unseen(world, how, 4000, bad))
    assert not watch.of_kind(kinds.ALERT_RESOLVED)
    watch.restart()
    watch.beat(world.snapshot(at=4001, forecasts=bad))
    resolved = watch.of_kind(kinds.ALERT_RESOLVED)
    assert [each.body["why"] for each in resolved if "step" in each.body["identity"]] == ["over"]


def test_what_somebody_decided_ends_even_while_the_clock_is_not_trusted(watch, world):
    bad = [world.forecast(world.step(3000, 3060, coverage=Covered.UNCOVERED))]
    watch.beat(world.snapshot(at=0, forecasts=bad))
    stopped = [world.forecast(world.step(3000, 3060, status=StepStatus.STOPPED))]
    watch.beat(world.snapshot(at=9, forecasts=stopped, clock=ClockTrust(False, "it was set")))
    resolved = watch.of_kind(kinds.ALERT_RESOLVED)
    assert {each.body["why"] for each in resolved} == {"ended"}
    assert {each.body["what"] for each in resolved} == {
        "Resolved: Step 'antenna release' of Lantern 3 is stopped, expiry 2026-12-03 12:50:00Z to "
        "12:51:00Z."
    }


def test_a_channel_that_is_configured_no_longer_leaves_its_trouble_open(watch, world):
    failing = ChannelStatus("mail", Passage.OPEN, world.noon - 100, "550 no")
    well = ChannelStatus("mail", Passage.CLOSED, None, "")
    other = ChannelStatus("hook", Passage.CLOSED, None, "")
    for at, statuses, open_now in ((0, [failing], 1), (1, [other], 1), (2, [well], 0)):
        found = candidates(world.snapshot(at=at), POLICY, world.noon + at)
        watch.decide(with_channels(found, statuses, (), POLICY), world.noon + at)
        waiting = [watch.state.tracked[each] for each in watch.state.waiting]
        assert len([each for each in waiting if each.resolved_at is None]) == open_now


def test_an_event_that_fell_due_during_downtime_is_raised_late_if_it_still_matters(watch, world):
    watch.beat(world.snapshot(at=0))
    contacts = [world.contact(630, 900)]
    watch.restart()
    new = watch.beat(world.snapshot(at=700, contacts=contacts), down_since=world.noon)
    assert [(each.body["kind"], each.body["late"]) for each in new] == [("contact-coming", True)]
    assert watch.state.tracked[new[0].body["identity"]].alert.late


def test_an_event_that_falls_due_at_the_very_restart_is_not_called_late(watch, world):
    new = watch.beat(
        world.snapshot(at=568, contacts=[world.contact(630, 900)]), down_since=world.noon + 500
    )
    assert [each.body["late"] for each in new] == [False]


def test_what_could_not_be_told_in_time_is_recorded_and_summed_up_in_one_caution(watch, world):
    contacts = [world.contact(630 + n * 6000, 900 + n * 6000) for n in range(4)]
    now = 630 + 3 * 6000 + 100.0
    new = watch.beat(world.snapshot(at=now, contacts=contacts), down_since=world.noon)
    missed = [each for each in new if each.kind == kinds.ALERT_MISSED]
    raised = [each for each in new if each.kind == kinds.ALERT_RAISED]
    assert len(missed) == 3, "one for each contact, not one for each lead"
    assert [each.body["kind"] for each in raised] == ["contact-coming", "alerts-missed"]
    assert (raised[0].body["late"], raised[1].body["late"]) == (True, False)
    caution = raised[1].body
    assert caution["severity"] == "caution"
    assert caution["facts"]["count"] == 3
    assert "3 alerts not raised in time" in caution["what"]
    watch.restart()
    assert watch.beat(world.snapshot(at=now + 1, contacts=contacts), world.noon) == []


def test_nothing_is_missed_by_a_service_that_starts_for_the_first_time(watch, world):
    contacts = [world.contact(-3000, -2700)]
    assert watch.beat(world.snapshot(contacts=contacts)) == []


def test_a_step_that_ran_out_while_nobody_looked_is_among_the_missed(watch, world):
    step = world.step(300, 360, status=StepStatus.EXPIRED, hazard="motor", keep_clear=(200, 500))
    now = 20_000
    new = watch.beat(
        world.snapshot(at=now, forecasts=[world.forecast(step)]), down_since=world.noon
    )
    missed = {each.body["kind"] for each in new if each.kind == kinds.ALERT_MISSED}
    assert missed == {
        alert_kinds.STEP_EXPIRING,
        alert_kinds.STEP_EXPIRED,
        alert_kinds.KEEP_CLEAR_BEGINS,
        alert_kinds.KEEP_CLEAR_ENDS,
    }


def test_the_same_beat_twice_gives_nothing_new(watch, world):
    step = world.step(300, 360, coverage=Covered.UNCOVERED, keep_clear=(200, 500), hazard="motor")
    snapshot = world.snapshot(contacts=[world.contact(30, 900)], forecasts=[world.forecast(step)])
    assert watch.beat(snapshot)
    assert watch.beat(snapshot) == []


def test_an_acknowledged_alert_is_no_longer_open_but_still_told(watch, world):
    contacts = [world.contact(630, 900)]
    identity = watch.beat(world.snapshot(at=30, contacts=contacts))[0].body["identity"]
    watch.state = fold_alerts(
        watch.state,
        watch.ledger.append(
            [
                Record(
                    world.noon + 40, kinds.ALERT_ACKNOWLEDGED, "Lantern 3/Norrsund", "Ada",
                    {"identity": identity},
                )
            ]
        ),
    )  # fmt: skip
    assert watch.state.open_alerts(world.noon + 50) == ()
    assert watch.state.tracked[identity].acknowledged_by == "Ada"
    assert watch.beat(world.snapshot(at=50, contacts=contacts)) == []


def test_a_record_that_makes_no_sense_changes_nothing(watch, world):
    watch.beat(world.snapshot(at=30, contacts=[world.contact(630, 900)]))
    nonsense = [
        Record(world.noon, kind, "x", "Eve", body, number=1000 + n)
        for n, (kind, body) in enumerate(
            [
                (kinds.ALERT_RAISED, {}),
                (kinds.ALERT_RAISED, {"identity": "a", "series": "s", "kind": "k"}),
                (kinds.ALERT_RESOLVED, {}),
                (kinds.ALERT_RESOLVED, {"identity": "unknown"}),
                (kinds.ALERT_ACKNOWLEDGED, {"identity": "unknown"}),
                (kinds.ALERT_DELIVERED, {"message": "m"}),
                (kinds.ALERT_MISSED, {"series": 3}),
            ]
        )
    ]
    after = fold_alerts(watch.state, nonsense)
    assert (after.tracked, after.missed) == (watch.state.tracked, watch.state.missed)


def test_what_is_long_over_is_forgotten_but_for_the_last_thousand(watch, world):
    """Memory stays bounded over months of contacts, and nothing is told again for it."""
    policy = Policy(Leads(contact_s=(60.0,)))
    contacts = [world.contact(n * 3000.0, n * 3000.0 + 600) for n in range(1, 2200)]
    for n in range(1, 2200):
        at = n * 3000.0 - 30
        near = contacts[max(n - 3, 0) : n + 2]
        watch.beat(world.snapshot(at=at, contacts=near), policy=policy)
    assert len(watch.raised(alert_kinds.CONTACT_COMING)) == 2199
    # A thousand in any case, the contacts of the last 6 hours, and what still stands: the elements
    # are stale and the prediction ends.
    assert len(watch.state.tracked) == 1000 + 8 + 2
    assert len(watch.state.by_series) == 3
    whole = fold_alerts(AlertState(), watch.ledger.records())
    assert whole == watch.state
    late = world.snapshot(at=2199 * 3000.0, contacts=contacts[-60:])
    told = watch.beat(late, down_since=late.at - 86_400, policy=policy)
    assert not [each for each in told if each.body.get("told", True)]


# Whole nights at random: contacts, new elements, restarts, downtime, beats at odd moments.

NIGHTS = st.fixed_dictionaries(
    {
        "gaps": st.lists(st.floats(400, 9000), min_size=1, max_size=8),
        "lasts": st.lists(st.floats(30, 900), min_size=8, max_size=8),
        "stations": st.lists(st.sampled_from(["Norrsund", "Sable Point"]), min_size=8, max_size=8),
        "shifts": st.lists(st.floats(-60, 60), min_size=1, max_size=10),
        "pauses": st.lists(
            st.one_of(st.floats(0.5, 40), st.floats(0.5, 40), st.floats(60, 20_000)), max_size=80
        ),
        "kills": st.lists(st.booleans(), min_size=80, max_size=80),
    }
)


def play(world, night, policy=POLICY):
    """Play a night; give the watch, the contacts as they really were, and the beats' intervals."""
    contacts, at = [], 700.0
    for index, gap in enumerate(night["gaps"]):
        at += gap
        lasts = night["lasts"][index]
        contacts.append(world.contact(at, at + lasts, station=night["stations"][index]))
        at += lasts
    watch = Watch(Ledger.open("sqlite://"))
    now = 0.0
    watch.beat(world.snapshot(at=now, contacts=contacts), policy=policy)
    for index, pause in enumerate([*night["pauses"], 60.0]):
        before, now = now, now + pause
        down = pause > 45 or night["kills"][index % 80]
        if down:
            watch.restart()
        # New elements move all contacts alike; they come at most once between two beats.
        shift = night["shifts"][index % len(night["shifts"])]
        seen = [
            replace(each, aos=each.aos + shift, tca=each.tca + shift, los=each.los + shift)
            for each in contacts
        ]
        down_since = world.noon + before if down else None
        watch.beat(world.snapshot(at=now, contacts=seen), down_since, policy)
    return watch, contacts, now


@settings(max_examples=150, deadline=None)
@given(night=NIGHTS)
def test_whatever_the_night_brings_each_contact_is_told_or_recorded_as_missed(world, night):
    watch, contacts, ended = play(world, night)
    end = world.noon + ended
    for contact in contacts:
        tracked = [
            each
            for each in watch.state.tracked.values()
            if each.alert.kind == alert_kinds.CONTACT_COMING
            and each.alert.subject == f"Lantern 3/{contact.station}"
            and abs(each.alert.moment - contact.aos) <= 60.001
        ]
        leads = [each.lead_s for each in tracked]
        assert len(leads) == len(set(leads)), "no fact is told twice"
        missed = [
            each
            for each in watch.of_kind(kinds.ALERT_MISSED)
            if each.subject == f"Lantern 3/{contact.station}"
            and abs(from_text(each.body["moment"]) - contact.aos) <= 60.001
        ]
        assert len(missed) <= 1
        if contact.aos + 64 < end:
            assert tracked or missed, "no due alert is lost"
        if contact.aos - 664 > end:
            assert not tracked
            assert not missed
    watch.ledger.close()


@settings(max_examples=60, deadline=None)
@given(night=NIGHTS)
def test_the_state_of_the_night_is_the_fold_of_its_records(world, night):
    watch, _, _ = play(world, night)
    assert fold_alerts(AlertState(), watch.ledger.records()) == watch.state
    half = watch.ledger.last_number() // 2
    in_two = fold_alerts(AlertState(), watch.ledger.records(until=half))
    assert fold_alerts(in_two, watch.ledger.records(after=half)) == watch.state
    assert watch.ledger.verify().intact
    watch.ledger.close()


@settings(max_examples=60, deadline=None)
@given(night=NIGHTS)
def test_only_what_fell_due_while_nobody_looked_is_late_or_missed(world, night):
    quiet = {**night, "pauses": [min(pause, 40.0) for pause in night["pauses"]],
             "kills": [False] * 80}  # fmt: skip
    watch, _, _ = play(world, quiet)
    assert not watch.of_kind(kinds.ALERT_MISSED)
    assert not any(each.body["late"] for each in watch.of_kind(kinds.ALERT_RAISED))
    watch.ledger.close()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(list(Covered)),
            st.none() | st.sampled_from(UNSEEN),
            st.floats(-200, 200),
            st.booleans(),
        ),
        max_size=25,
    )
)
def test_a_condition_is_open_exactly_while_it_holds(world, turns):
    """Whatever verdicts follow each other, and whether or not the step can be looked at."""
    watch = Watch(Ledger.open("sqlite://"))
    holds = False
    for at, (covered, hidden, shift, restarted) in enumerate(turns):
        step = world.step(30_000 + shift, 30_600 + shift, coverage=covered)
        if restarted:
            watch.restart()
        if hidden is None:
            watch.beat(world.snapshot(at=at, forecasts=[world.forecast(step)]))
            holds = covered is Covered.UNCOVERED
        else:
            good = world.forecast(world.step(30_000, 30_600, coverage=Covered.COVERED))
            watch.beat(unseen(world, hidden, at, [good]))
        open_now = [
            each
            for each in watch.state.tracked.values()
            if each.alert.kind == alert_kinds.STEP_UNCOVERED and each.resolved_at is None
        ]
        assert len(open_now) == holds
    watch.ledger.close()


def test_an_open_alert_of_an_older_ledger_is_still_read_and_not_raised_again(world):
    step = world.step(3000, 3060, coverage=Covered.UNCOVERED)
    snapshot = world.snapshot(forecasts=[world.forecast(step)])
    found = candidates(snapshot, Policy(), world.noon)
    (raised,) = [
        each
        for each in evaluate(AlertState(), found, world.noon)
        if each.body["kind"] == alert_kinds.STEP_UNCOVERED
    ]
    body = dict(raised.body)
    old = {"advice": body.pop("do"), "concerns": body.pop("moment")}
    del body["notice"]
    was = "step-out-of-view"
    body |= old | {"kind": was, "series": body["series"].replace(alert_kinds.STEP_UNCOVERED, was)}
    state = fold_alerts(AlertState(), [replace(raised, body=body, number=1)])
    (alert,) = state.open_alerts(world.noon)
    assert (alert.kind, alert.do, alert.moment) == (
        alert_kinds.STEP_UNCOVERED,
        old["advice"],
        world.noon + 3000,
    )
    assert not [
        each
        for each in evaluate(state, found, world.noon + 1)
        if each.kind != "alert-raised" or each.body["kind"] == alert_kinds.STEP_UNCOVERED
    ]
