"""What becomes of alerts as time passes, and what is said of it: a real ledger, a moving clock."""

import weakref
from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st

from contactd.alerts import AlertState, fold_alerts
from contactd.alerts.escalation import next_tending, tend
from contactd.alerts.escalation_policy import Care, Duty, Hours, Manner, Rung
from contactd.alerts.fold import is_settled
from contactd.alerts.grouping import compose
from contactd.alerts.notification import Notification
from contactd.alerts.tracked import Outcome
from contactd.core import record as kinds
from contactd.core.alert import Severity
from contactd.core.instants import from_text
from contactd.core.record import Record
from contactd.mission.timetext import recorded_finite as as_text
from contactd.records import Ledger

NOON = from_text("2026-12-03T12:00:00Z")
HOUR_S = 3600.0
LADDER = Care(
    ladder=(
        Rung(300.0, "controller"),
        Rung(900.0, "lead", Severity.CAUTION),
    ),
    roles={"controller": (Duty(("pager",)),), "lead": (Duty(("mail", "pager")),)},
)


@dataclass
class Room:
    """A watch room: alerts, people, channels that always work, time that passes."""

    care: Care = field(default_factory=Care)
    manners: dict = field(default_factory=dict)
    now: float = NOON
    state: AlertState = field(default_factory=AlertState)
    sent: list[tuple[float, Notification]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.ledger = Ledger.open("sqlite://")
        weakref.finalize(self, self.ledger.close)

    def store(self, *records: Record) -> None:
        new = [each for each in self.ledger.append(records) if each.number > self.state.number]
        self.state = fold_alerts(self.state, new)

    def raise_alert(
        self, name: str, severity: str = "warning", *, sort: str = "event", lasts_s: float = 7200.0,
        channels=("log",), subject: str = "Lantern 3/Norrsund", kind: str = "k",
    ) -> None:  # fmt: skip
        body = {
            "identity": name, "kind": kind, "sort": sort, "severity": severity,
            "target": subject.split("/")[0], "what": "w", "do": "a", "due": as_text(self.now),
            "moment": as_text(self.now + lasts_s), "over_at": as_text(self.now + lasts_s),
            "late": False, "facts": {}, "channels": list(channels), "series": f"s-{name}",
            "begins": None, "ends": None, "lead_s": 0.0, "rests_on": "",
        }  # fmt: skip
        self.store(Record(self.now, kinds.ALERT_RAISED, subject, "contactd", body))

    def say(self, kind: str, author: str = "Ada", **body) -> None:
        self.store(Record(self.now, kind, "", author, body))

    def acknowledge(self, name: str) -> None:
        self.say(kinds.ALERT_ACKNOWLEDGED, identity=name)

    def resolve(self, name: str) -> None:
        self.say(kinds.ALERT_RESOLVED, author="contactd", identity=name, why="ended")

    def silence(self, seconds: float, **body) -> None:
        self.say(
            kinds.SILENCE_SET, silence="quiet please", **{"from": as_text(self.now)},
            until=as_text(self.now + seconds), why="antenna work", **body,
        )  # fmt: skip

    def deliver(self, outcome: Outcome = Outcome.DELIVERED, channel: str | None = None) -> None:
        for notification in compose(self.state, self.now, self.manners, self.care):
            if channel is not None and notification.channel != channel:
                continue
            self.sent.append((self.now - NOON, notification))
            self.store(
                Record(
                    self.now, f"alert-{outcome}", "", "contactd",
                    {
                        "message": notification.key, "channel": notification.channel,
                        "about": notification.about.value, "parts": list(notification.parts),
                        "alerts": [alert.identity for alert in notification.alerts], "attempts": 1,
                        "reason": "answered 500",
                    },
                )
            )  # fmt: skip

    def pass_time(self, seconds: float, beat_s: float = 10.0, deliver: bool = True) -> None:
        until = self.now + seconds
        while self.now < until:
            self.now = min(self.now + beat_s, until)
            self.store(*tend(self.state, self.care, self.now, self.manners))
            if deliver:
                self.deliver()

    def heard(self, channel: str) -> list[tuple[float, str, str]]:
        return [
            (at, notification.about.value, notification.alerts[0].identity)
            for at, notification in self.sent
            if notification.channel == channel
        ]


def test_a_warning_that_nobody_acknowledges_climbs_the_ladder():
    room = Room(LADDER)
    room.raise_alert("a")
    room.deliver()
    room.pass_time(1000)
    assert room.heard("log") == [(0, "raised", "a")]
    assert room.heard("pager") == [(300, "escalated", "a"), (900, "escalated", "a")]
    assert room.heard("mail") == [(900, "escalated", "a")]
    assert [each.role for each in room.state.tracked["a"].escalations] == ["controller", "lead"]
    notifications = [
        notification for _, notification in room.sent if notification.channel == "mail"
    ]
    assert notifications[0].remark == "nobody has acknowledged it; now told to: lead"


def test_less_severe_alerts_climb_only_the_rungs_that_are_meant_for_them():
    room = Room(LADDER)
    room.raise_alert("c", "caution")
    room.raise_alert("n", "advisory")
    room.pass_time(1000)
    assert room.heard("mail") == [(900, "escalated", "c")]
    assert room.heard("pager") == [(900, "escalated", "c")]


def test_who_acknowledges_stops_the_ladder():
    room = Room(LADDER)
    room.raise_alert("a")
    room.pass_time(400)
    room.acknowledge("a")
    room.pass_time(1000)
    assert len(room.state.tracked["a"].escalations) == 1
    assert "a" not in room.state.waiting


def test_what_is_over_or_resolved_climbs_no_further():
    room = Room(LADDER)
    room.raise_alert("event", lasts_s=200)
    room.raise_alert("condition", sort="condition")
    room.pass_time(250)
    room.resolve("condition")
    room.pass_time(1000)
    assert not room.state.tracked["event"].escalations
    assert not room.state.tracked["condition"].escalations


def test_the_ladder_follows_who_is_on_duty_at_that_moment():
    care = Care(
        (Rung(300.0, "lead"),),
        {
            "lead": (
                Duty(("day",), (Hours(6 * HOUR_S, 12 * HOUR_S + 60),)),
                Duty(("evening",), (Hours(12 * HOUR_S + 60, 20 * HOUR_S),)),
            )
        },
    )
    room = Room(care)
    room.raise_alert("a")
    room.pass_time(310)
    assert room.heard("evening") == [(300, "escalated", "a")]
    assert not room.heard("day")


def test_an_open_alert_is_told_again_until_somebody_has_it_in_hand():
    care = Care(remind_every_s={Severity.WARNING: 600.0}, most_reminders=3)
    room = Room(care)
    room.raise_alert("a", lasts_s=100_000)
    room.raise_alert("c", "caution", lasts_s=100_000)
    room.deliver()
    room.pass_time(1300)
    assert [each for each in room.heard("log") if each[1] == "reminder"] == [
        (600, "reminder", "a"),
        (1200, "reminder", "a"),
    ]
    room.acknowledge("a")
    room.pass_time(5000)
    assert len(room.heard("log")) == 4


def test_reminders_end_after_the_most_that_is_wanted():
    room = Room(Care(remind_every_s={Severity.WARNING: 600.0}, most_reminders=3))
    room.raise_alert("a", lasts_s=100_000)
    room.deliver()
    room.pass_time(6000, beat_s=50)
    assert sum(each[1] == "reminder" for each in room.heard("log")) == 3


def test_after_a_long_pause_only_the_latest_reminder_is_sent():
    room = Room(Care(remind_every_s={Severity.WARNING: 600.0}))
    room.raise_alert("a", lasts_s=100_000)
    room.deliver()
    room.now += 5000
    room.deliver()
    assert [notification.key for _, notification in room.sent] == ["a", "a.reminder-8"]


def test_quiet_hours_hold_back_what_is_no_warning_until_they_end():
    quiet = Manner(quiet_hours=(Hours(12 * HOUR_S, 13 * HOUR_S),))
    room = Room(manners={"log": quiet})
    room.raise_alert("w")
    room.raise_alert("c", "caution")
    room.pass_time(2 * HOUR_S - 60)
    assert room.heard("log") == [(10, "raised", "w"), (3600, "raised", "c")]


def test_what_quiet_hours_held_back_until_it_was_over_is_recorded_and_not_sent():
    quiet = Manner(quiet_hours=(Hours(12 * HOUR_S, 13 * HOUR_S),))
    room = Room(manners={"log": quiet})
    room.raise_alert("c", "caution", lasts_s=600, channels=("log", "other"))
    room.pass_time(2 * HOUR_S)
    assert not room.heard("log")
    assert room.heard("other") == [(10, "raised", "c")]
    silenced = [each for each in room.ledger.records() if each.kind == kinds.ALERT_SILENCED]
    assert [each.body for each in silenced] == [
        {"identity": "c", "channels": ["log"], "why": "quiet hours"}
    ]
    assert room.state.tracked["c"].fates["c", "log"].outcome is Outcome.SILENCED


def test_a_silence_holds_back_what_it_names_until_it_ends():
    room = Room()
    room.silence(600, targets=["Lantern 3"])
    room.raise_alert("a", "caution")
    room.raise_alert("b", "caution", subject="Moth 1/Norrsund")
    room.pass_time(700)
    assert room.heard("log") == [(10, "raised", "b"), (600, "raised", "a")]


def test_escalation_counts_from_the_end_of_a_silence():
    room = Room(care=LADDER)
    room.silence(600, warnings=True)
    room.raise_alert("a")
    room.pass_time(605)
    assert not [each for each in room.ledger.records() if each.kind == kinds.ALERT_ESCALATED]
    room.pass_time(3600)
    escalated = [each for each in room.ledger.records() if each.kind == kinds.ALERT_ESCALATED]
    first = min(rung.after_s for rung in LADDER.ladder)
    assert 0 <= min(each.at for each in escalated) - NOON - 600 - first <= 15


def test_a_silence_of_kinds_leaves_other_kinds_alone():
    room = Room()
    room.silence(600, kinds=["contact-coming"])
    room.raise_alert("a", "caution", kind="contact-coming")
    room.raise_alert("b", "caution", kind="step-at-risk")
    room.deliver()
    assert [each[2] for each in room.heard("log")] == ["b"]


def test_a_silence_spares_warnings_unless_it_says_otherwise():
    room = Room()
    room.silence(600)
    room.raise_alert("a", "warning")
    room.deliver()
    assert room.heard("log")
    strict = Room()
    strict.silence(600, warnings=True)
    strict.raise_alert("a", "warning")
    strict.deliver()
    assert not strict.heard("log")


def test_a_silence_that_is_lifted_ends_at_once():
    room = Room()
    room.silence(6000)
    room.raise_alert("a", "caution")
    room.pass_time(100)
    room.say(kinds.SILENCE_LIFTED, silence="quiet please")
    room.pass_time(10)
    assert room.heard("log") == [(110, "raised", "a")]


def test_nothing_is_escalated_under_a_silence():
    room = Room(LADDER)
    room.silence(6000, warnings=True)
    room.raise_alert("a")
    room.pass_time(2000)
    assert not room.state.tracked["a"].escalations


def test_an_event_that_was_over_before_anybody_acknowledged_it_has_expired():
    room = Room()
    room.raise_alert("w", lasts_s=100)
    room.raise_alert("n", "advisory", lasts_s=100)
    room.raise_alert("seen", lasts_s=100)
    room.acknowledge("seen")
    room.pass_time(500)
    expired = [each for each in room.ledger.records() if each.kind == kinds.ALERT_EXPIRED]
    assert [(each.body["identity"], each.at - NOON) for each in expired] == [("w", 100)]
    assert room.state.tracked["w"].expired_at == NOON + 100


def test_the_alerts_of_one_contact_go_together_where_the_channel_wants_that():
    room = Room(manners={"mail": Manner(together=True, gather_s=30.0)})
    room.raise_alert("a", "advisory", channels=["mail"])
    room.pass_time(10)
    room.raise_alert("b", "caution", channels=["mail"])
    room.raise_alert("c", "advisory", channels=["mail"], subject="Lantern 3/Sable Point")
    room.pass_time(100)
    together = [(at, notification.parts) for at, notification in room.sent]
    assert together == [(30, ("b", "a")), (40, ("c",))]


def test_a_warning_does_not_wait_for_company():
    room = Room(manners={"mail": Manner(together=True, gather_s=30.0)})
    room.raise_alert("a", "advisory", channels=["mail"])
    room.raise_alert("b", "warning", channels=["mail"])
    room.deliver()
    assert [(at, notification.parts) for at, notification in room.sent] == [(0, ("b", "a"))]


def test_what_is_nearly_there_does_not_wait_for_company():
    room = Room(manners={"mail": Manner(together=True, gather_s=30.0)})
    room.raise_alert("a", "advisory", channels=["mail"], lasts_s=20.0)
    room.deliver()
    assert len(room.sent) == 1


def test_a_flood_goes_in_few_messages_the_most_severe_first():
    room = Room(manners={"hook": Manner(flood_from=20, most_alerts=50)})
    for number in range(120):
        severity = "warning" if number % 3 == 0 else "advisory"
        room.raise_alert(f"a-{number:03}", severity, channels=["hook"])
    room.deliver()
    assert [len(notification.alerts) for _, notification in room.sent] == [50, 50, 20]
    order = [alert.severity for _, notification in room.sent for alert in notification.alerts]
    assert order == sorted(order, key=[Severity.WARNING, Severity.ADVISORY].index)


def test_a_message_that_is_being_tried_keeps_its_alerts_and_its_key():
    room = Room(manners={"mail": Manner(together=True)})
    room.raise_alert("a", channels=["mail"])
    room.raise_alert("b", channels=["mail"])
    room.deliver(Outcome.SENT)
    room.raise_alert("c", channels=["mail"])
    keys = {
        notification.parts: notification.key
        for notification in compose(room.state, room.now, room.manners)
    }
    assert set(keys) == {("a", "b"), ("c",)}
    assert keys["a", "b"] == room.sent[0][1].key


def test_a_dead_letter_stays_in_sight_until_it_is_tried_again():
    room = Room()
    room.raise_alert("a", lasts_s=100)
    room.deliver(Outcome.FAILED)
    (letter,) = room.state.dead_letters
    assert (letter.message, letter.channel, letter.reason) == ("a", "log", "answered 500")
    room.pass_time(20 * HOUR_S, beat_s=HOUR_S)
    assert len(room.sent) == 1
    room.say(kinds.ALERT_RETRIED, message="a", channel="log")
    assert not room.state.dead_letters
    (again,) = compose(room.state, room.now)
    assert (again.key, again.since) == ("a", room.now)
    room.deliver()
    assert room.state.tracked["a"].fates["a", "log"].outcome is Outcome.DELIVERED


def test_channels_that_want_to_know_are_told_who_has_it_in_hand():
    room = Room(manners={"mail": Manner(send_acknowledged=True)})
    room.raise_alert("a", channels=["log", "mail"])
    room.deliver()
    room.acknowledge("a")
    room.pass_time(20)
    assert [each[1] for each in room.heard("mail")] == ["raised", "acknowledged"]
    assert [each[1] for each in room.heard("log")] == ["raised"]
    assert room.sent[-1][1].remark == "Ada has it in hand"


def test_a_channel_that_heard_only_the_escalation_hears_that_it_is_resolved():
    room = Room(LADDER)
    room.raise_alert("a", sort="condition", lasts_s=1e5)
    room.pass_time(400)
    room.resolve("a")
    room.pass_time(20)
    assert [each[1] for each in room.heard("pager")] == ["escalated", "resolved"]


def test_a_channel_that_does_not_want_it_is_not_told_that_alerts_are_resolved():
    room = Room(manners={"log": Manner(send_resolved=False)})
    room.raise_alert("a", sort="condition")
    room.deliver()
    room.resolve("a")
    room.pass_time(20)
    assert [each[1] for each in room.heard("log")] == ["raised"]


def test_the_next_moment_to_tend_is_known():
    room = Room(LADDER)
    assert next_tending(room.state, room.care, room.now) == float("inf")
    room.raise_alert("a", lasts_s=500)
    assert next_tending(room.state, room.care, room.now) == NOON + 300
    room.pass_time(300)
    assert next_tending(room.state, room.care, room.now) == NOON + 500


DEEDS = st.lists(
    st.one_of(
        st.tuples(
            st.just("raise"),
            st.sampled_from(["advisory", "caution", "warning"]),
            st.sampled_from(["event", "condition"]),
            st.sampled_from([("log",), ("log", "mail"), ("mail",)]),
        ),
        st.tuples(st.just("acknowledge"), st.integers(0, 9)),
        st.tuples(st.just("resolve"), st.integers(0, 9)),
        st.tuples(st.just("deliver"), st.sampled_from(list(Outcome)[:3])),
        st.tuples(st.just("retry"), st.integers(0, 3)),
        st.tuples(st.just("silence"), st.floats(10, 4000), st.booleans()),
        st.tuples(st.just("lift"), st.just(0)),
        st.tuples(st.just("wait"), st.floats(1, 4000)),
    ),
    max_size=40,
)


@given(DEEDS)
def test_whatever_is_done_in_whatever_order_the_promises_hold(deeds):
    """The state is the fold of the records; nothing final is sent again; warnings get through."""
    care = Care(LADDER.ladder, LADDER.roles, {Severity.WARNING: 600.0})
    manners = {"mail": Manner((Hours(12 * HOUR_S, 12.5 * HOUR_S),), together=True, gather_s=20.0)}
    room = Room(care, manners)
    names: list[str] = []
    final: set[tuple[str, str]] = set()
    hidden = False
    for deed in deeds:
        if deed[0] == "raise":
            names.append(f"a-{len(names)}")
            room.raise_alert(names[-1], deed[1], sort=deed[2], channels=deed[3], lasts_s=1000.0)
        elif deed[0] in ("acknowledge", "resolve") and names:
            getattr(room, deed[0])(names[deed[1] % len(names)])
        elif deed[0] == "deliver":
            for notification in compose(room.state, room.now, manners, care):
                places = {(part, notification.channel) for part in notification.parts}
                assert not places & final, "what is done is not sent again"
                if deed[1] is Outcome.DELIVERED:
                    final |= places
            room.deliver(deed[1])
        elif deed[0] == "retry" and room.state.dead_letters:
            letter = room.state.dead_letters[deed[1] % len(room.state.dead_letters)]
            room.say(kinds.ALERT_RETRIED, message=letter.message, channel=letter.channel)
        elif deed[0] == "silence":
            room.silence(deed[1], warnings=deed[2])
            hidden = hidden or deed[2]
        elif deed[0] == "lift":
            room.say(kinds.SILENCE_LIFTED, silence="quiet please")
        elif deed[0] == "wait":
            room.pass_time(deed[1], beat_s=deed[1], deliver=False)
        notifications = compose(room.state, room.now, manners, care)
        parts = [
            (part, notification.channel)
            for notification in notifications
            for part in notification.parts
        ]
        assert len(parts) == len(set(parts)), "an alert is in one message only"
        if not hidden:
            due = {(part, channel) for part, channel in parts}
            for tracked in room.state.tracked.values():
                if tracked.alert.severity is Severity.WARNING:
                    for channel in tracked.channels:
                        key = (tracked.alert.identity, channel)
                        assert key in tracked.fates or key in due, "a warning waits for nothing"
    assert fold_alerts(AlertState(), room.ledger.records()) == room.state
    for identity in room.state.tracked.keys() - room.state.unsettled:
        assert is_settled(room.state.tracked[identity])
    room.ledger.close()
