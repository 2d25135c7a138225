"""Delivery: at least once, each channel at its own pace, outcomes in the ledger."""

import asyncio
import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from itertools import pairwise

import pytest

from contactd.alerts import AlertState, fold_alerts
from contactd.alerts.channels.webhook import WebhookChannel
from contactd.alerts.circuit import CircuitTerms
from contactd.alerts.delivery import Attempt, Delivery, Terms
from contactd.alerts.grouping import compose
from contactd.alerts.notification import About, ChannelBusy, Notification
from contactd.alerts.status import Passage
from contactd.alerts.tracked import Outcome
from contactd.core import record as kinds
from contactd.core.alert import Alert, Severity
from contactd.core.errors import DeliveryError
from contactd.core.instants import from_text, from_unix
from contactd.core.record import Record
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock

NOON = from_text("2026-12-03T12:00:00Z")


class MachineClock:
    def now(self) -> float:
        return from_unix(time.time())

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class Wire:
    """A channel that does what it is told: a list of errors to raise in turn, then success."""

    def __init__(self, name: str, clock: SimulatedClock, *errors: DeliveryError, takes_s=0.0):
        self.name = name
        self.clock = clock
        self.errors = list(errors)
        self.takes_s = takes_s
        self.sent: list[tuple[float, str]] = []
        self.messages: list[Notification] = []
        self.under_way = self.most_at_once = 0
        self.closed = False

    async def send(self, notification: Notification) -> None:
        self.under_way += 1
        self.most_at_once = max(self.most_at_once, self.under_way)
        try:
            self.sent.append((self.clock.now() - NOON, notification.key))
            self.messages.append(notification)
            if self.takes_s:
                await self.clock.sleep(self.takes_s)
            if self.errors:
                raise self.errors.pop(0)
        finally:
            self.under_way -= 1

    async def close(self) -> None:
        self.closed = True


@dataclass
class Lead:
    """A lead that is sure or not, and that lasts or does not until the very moment of sending."""

    sure: bool = False
    lasts: bool = True
    fence: int = 7

    async def ask(self) -> bool:
        return self.sure

    def holds(self) -> bool:
        return self.lasts


def busy(again: bool = True) -> DeliveryError:
    return DeliveryError("wire", "answered 500", again)


def alert(number: int = 1, severity: Severity = Severity.CAUTION) -> Alert:
    return Alert(f"a-{number}", "contact-coming", severity, "Lantern 3", "Lantern 3/Norrsund",
                 "what", "advice", NOON, NOON + 60, NOON + 600)  # fmt: skip


def notification(number: int = 1, channel: str = "wire", since: float = NOON) -> Notification:
    key = f"a-{number}"
    return Notification(key, channel, About.RAISED, (alert(number),), (key,), since)


ALWAYS = CircuitTerms(open_after=1_000_000)


class Desk:
    """A delivery on a simulated clock that keeps what it records."""

    def __init__(self, *channels: Wire, clock: SimulatedClock, terms: Terms | None = None) -> None:
        self.records: list[Record] = []
        self.attempts: list[Attempt] = []
        self.clock = clock
        self.delivery = Delivery(self.record, clock, random.Random(4), self.attempts.append)
        self.delivery.use((channel, terms or Terms()) for channel in channels)

    async def record(self, records) -> None:
        self.records.extend(records)

    def outcomes(self) -> list[str]:
        return [each.kind for each in self.records]

    async def pass_time(self, seconds: float) -> None:
        """Let time pass in small slices, and everything that is ready run between them."""
        for _ in range(20):
            for _ in range(40):
                await asyncio.sleep(0)
            await self.clock.advance(seconds / 20)
        for _ in range(40):
            await asyncio.sleep(0)


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(NOON)


async def test_a_message_that_goes_through_at_once_is_recorded_as_delivered(clock):
    desk = Desk(Wire("wire", clock), clock=clock)
    desk.delivery.offer([notification()])
    await desk.delivery.idle()
    assert desk.outcomes() == [kinds.ALERT_DELIVERED]
    delivered = desk.records[0]
    assert delivered.body == {
        "message": "a-1",
        "channel": "wire",
        "about": "raised",
        "parts": ["a-1"],
        "alerts": ["a-1"],
        "attempts": 1,
        "sent_at": "2026-12-03T12:00:00.000000Z",
    }
    assert delivered.subject == "Lantern 3/Norrsund"
    await desk.delivery.close()


async def test_what_is_in_hand_or_done_is_not_sent_twice_by_this_process(clock):
    wire = Wire("wire", clock, takes_s=5.0)
    desk = Desk(wire, clock=clock)
    for _ in range(3):
        desk.delivery.offer([notification()])
        await desk.pass_time(1)
    await desk.pass_time(10)
    desk.delivery.offer([notification()])
    await desk.delivery.idle()
    assert len(wire.sent) == 1
    await desk.delivery.close()


async def test_failures_wait_longer_and_longer_up_to_the_longest_wait(clock):
    wire = Wire("wire", clock, *[busy() for _ in range(9)])
    terms = Terms(first_wait_s=1.0, longest_wait_s=16.0, circuit=ALWAYS)
    desk = Desk(wire, terms=terms, clock=clock)
    desk.delivery.offer([notification()])
    for _ in range(200):
        await desk.pass_time(1.0)
    await desk.delivery.idle()
    waits = [later[0] - earlier[0] for earlier, later in pairwise(wire.sent)]
    assert len(waits) == 9
    # Doubled each time and capped, less a random part of up to half.
    for wait, bound in zip(waits, [1, 2, 4, 8, 16, 16, 16, 16, 16], strict=True):
        assert bound / 2 <= wait <= bound
    assert desk.outcomes() == [kinds.ALERT_SENT, kinds.ALERT_DELIVERED]
    assert desk.records[-1].body["attempts"] == 10
    assert [each.reason for each in desk.attempts] == ["answered 500"] * 9 + [""]
    await desk.delivery.close()


async def test_a_receiver_that_asks_for_patience_is_given_it_within_bounds(clock):
    wire = Wire("wire", clock, ChannelBusy("wire", "429", 120.0), ChannelBusy("wire", "429", 1e9))
    desk = Desk(wire, clock=clock)
    desk.delivery.offer([notification()])
    for _ in range(100):
        await desk.pass_time(10.0)
    times = [at for at, _ in wire.sent]
    assert times[1] - times[0] == pytest.approx(120.0, abs=0.1)
    assert times[2] - times[1] == pytest.approx(600.0, abs=0.1)
    await desk.delivery.close()


async def test_what_is_not_worth_retrying_is_given_up_at_once_with_its_reason(clock):
    desk = Desk(Wire("wire", clock, busy(again=False)), clock=clock)
    desk.delivery.offer([notification()])
    await desk.delivery.idle()
    assert desk.outcomes() == [kinds.ALERT_FAILED]
    assert desk.records[0].body["reason"] == "answered 500"
    assert desk.attempts == [Attempt("wire", 0.0, "answered 500", final=True)]
    await desk.delivery.close()


async def test_a_message_is_not_tried_for_ever(clock):
    wire = Wire("wire", clock, *[busy() for _ in range(10_000)])
    desk = Desk(wire, terms=Terms(keep_trying_s=600.0, circuit=ALWAYS), clock=clock)
    desk.delivery.offer([notification()])
    for _ in range(200):
        await desk.pass_time(10.0)
    assert desk.outcomes() == [kinds.ALERT_SENT, kinds.ALERT_FAILED]
    assert 600 < wire.sent[-1][0] < 700
    await desk.delivery.close()


async def test_an_attempt_that_hangs_is_cut_off_and_tried_again(clock):
    wire = Wire("wire", clock, takes_s=1e6)
    desk = Desk(wire, terms=Terms(attempt_s=10.0), clock=clock)
    desk.delivery.offer([notification()])
    await desk.pass_time(10.5)
    assert desk.attempts[0].reason == "no answer within 10 s"
    assert wire.under_way <= 1
    await desk.pass_time(5.0)
    assert len(wire.sent) == 2
    await desk.delivery.close()


async def test_a_channel_with_a_bug_loses_nothing(clock):
    wire = Wire("wire", clock, ZeroDivisionError("oh"))
    desk = Desk(wire, clock=clock)
    desk.delivery.offer([notification()])
    await desk.pass_time(5.0)
    await desk.delivery.idle()
    assert desk.attempts[0].reason == "ZeroDivisionError: oh"
    assert desk.outcomes()[-1] == kinds.ALERT_DELIVERED
    await desk.delivery.close()


async def test_one_slow_channel_does_not_delay_another(clock):
    slow, quick = Wire("slow", clock, takes_s=9.0), Wire("quick", clock)
    desk = Desk(slow, quick, clock=clock, terms=Terms(at_once=2))
    desk.delivery.offer(
        [notification(n, channel) for n in range(50) for channel in ("slow", "quick")]
    )
    await desk.pass_time(0.1)
    assert len(quick.sent) == 50
    assert max(at for at, _ in quick.sent) < 0.1
    assert len(slow.sent) == slow.most_at_once == 2
    await desk.delivery.close()


async def test_a_message_to_a_channel_that_is_gone_is_recorded_as_failed(clock):
    desk = Desk(clock=clock)
    desk.delivery.offer([notification()])
    await desk.delivery.idle()
    assert desk.records[-1].body["reason"] == "there is no such channel any more"
    await desk.delivery.close()


async def test_a_channel_that_is_replaced_finishes_and_is_closed(clock):
    old, new = Wire("wire", clock, takes_s=5.0), Wire("wire", clock)
    desk = Desk(old, clock=clock)
    desk.delivery.offer([notification(1)])
    await desk.pass_time(1.0)
    desk.delivery.use([(new, Terms())])
    desk.delivery.offer([notification(1), notification(2)])
    await desk.pass_time(1.0)
    assert (len(old.sent), old.closed, len(new.sent)) == (1, False, 1)
    await desk.pass_time(10.0)
    assert old.closed
    assert not new.closed
    await desk.delivery.close()
    assert new.closed


async def test_closing_leaves_what_is_unfinished_to_the_next_start(clock):
    wire = Wire("wire", clock, *[busy() for _ in range(100)])
    desk = Desk(wire, clock=clock)
    desk.delivery.offer([notification()])
    await desk.pass_time(3.0)
    await desk.delivery.close()
    assert desk.outcomes() == [kinds.ALERT_SENT]
    assert desk.delivery.in_hand == 0


async def test_a_reader_is_given_a_link_to_acknowledge_each_alert(clock):
    wire = Wire("wire", clock)
    desk = Desk(wire, clock=clock)
    desk.delivery = Delivery(
        desk.record, clock, link=lambda alert, channel: f"https://x/{channel}/{alert.identity}"
    )
    desk.delivery.use([(wire, Terms())])
    desk.delivery.offer([notification()])
    await desk.delivery.idle()
    assert wire.messages[0].links == {"a-1": "https://x/wire/a-1"}
    assert wire.messages[0].at == NOON
    await desk.delivery.close()


async def test_a_service_that_may_not_send_sends_nothing_and_keeps_the_alert_for_later(clock):
    wire, lead = Wire("wire", clock), Lead()
    desk = Desk(wire, clock=clock)
    desk.delivery = Delivery(desk.record, clock, permit=lead)
    desk.delivery.use([(wire, Terms())])
    desk.delivery.offer([notification()])
    await desk.pass_time(1.0)
    assert (wire.sent, desk.records, desk.delivery.in_hand) == ([], [], 0)
    lead.sure = True
    desk.delivery.offer([notification()])
    await desk.delivery.idle()
    assert [key for _, key in wire.sent] == ["a-1"]
    assert wire.messages[0].fence == 7
    await desk.delivery.close()


async def test_a_lead_that_runs_out_between_the_asking_and_the_sending_sends_nothing(clock):
    wire, lead = Wire("wire", clock), Lead(sure=True, lasts=False)
    desk = Desk(wire, clock=clock)
    desk.delivery = Delivery(desk.record, clock, permit=lead)
    desk.delivery.use([(wire, Terms())])
    desk.delivery.offer([notification()])
    await desk.pass_time(1.0)
    assert (wire.sent, desk.records, desk.delivery.in_hand) == ([], [], 0)
    assert desk.delivery.statuses()[0].failing_since is None, "it is not the channel's fault"
    await desk.delivery.close()


async def test_what_is_offered_while_the_service_ends_is_kept_for_the_next_start(clock):
    wire = Wire("wire", clock)
    desk = Desk(wire, clock=clock)
    await desk.delivery.close()
    desk.delivery.offer([notification()])
    await desk.pass_time(1.0)
    assert (wire.sent, desk.records, desk.delivery.in_hand) == ([], [], 0)


async def test_what_is_being_tried_is_broken_off_at_once_and_kept_for_whoever_leads(clock):
    desk = Desk(Wire("wire", clock, takes_s=3600.0), clock=clock)
    desk.delivery.offer([notification()])
    await desk.pass_time(1.0)
    assert desk.delivery.in_hand == 1
    desk.delivery.withdraw()
    await desk.pass_time(0.1)
    assert (desk.records, desk.delivery.in_hand) == ([], 0)
    await desk.delivery.close()


async def test_alerts_that_go_together_are_recorded_as_sent_before_they_are_sent(clock):
    class Careful(Wire):
        async def send(self, notification: Notification) -> None:
            assert desk.outcomes() == [kinds.ALERT_SENT]
            await super().send(notification)

    wire = Careful("wire", clock)
    desk = Desk(wire, clock=clock)
    alerts = (alert(1), alert(2))
    together = Notification("both", "wire", About.RAISED, alerts, ("a-1", "a-2"), NOON)
    desk.delivery.offer([together])
    await desk.delivery.idle()
    assert desk.outcomes() == [kinds.ALERT_SENT, kinds.ALERT_DELIVERED]
    assert desk.records[1].body["parts"] == ["a-1", "a-2"]
    await desk.delivery.close()


async def test_an_alert_that_is_in_one_message_in_hand_does_not_go_into_another(clock):
    wire = Wire("wire", clock, takes_s=5.0)
    desk = Desk(wire, clock=clock)
    desk.delivery.offer([notification(1)])
    await desk.pass_time(1.0)
    alerts = (alert(1), alert(2))
    desk.delivery.offer([Notification("both", "wire", About.RAISED, alerts, ("a-1", "a-2"), NOON)])
    await desk.pass_time(1.0)
    assert [key for _, key in wire.sent] == ["a-1"]
    await desk.delivery.close()


# The circuit.

QUICK = CircuitTerms(open_after=3, first_pause_s=10.0, longest_pause_s=40.0)


async def test_a_channel_that_fails_again_and_again_is_left_alone_and_then_tried_once(clock):
    wire = Wire("wire", clock, *[busy() for _ in range(6)])
    desk = Desk(wire, clock=clock, terms=Terms(circuit=QUICK, first_wait_s=0.1, at_once=3))
    desk.delivery.offer([notification(n) for n in range(30)])
    await desk.pass_time(2.0)
    assert len(wire.sent) == 3, "three failures open the circuit"
    status = desk.delivery.statuses()[0]
    assert status.passage is Passage.OPEN
    assert (status.failing_since, status.reason) == (NOON, "answered 500")
    assert status.waiting == 30
    for _ in range(12):
        await desk.pass_time(1.0)
    assert len(wire.sent) == 4, "one message tries whether it works again"
    for _ in range(200):
        await desk.pass_time(1.0)
    await desk.delivery.idle()
    tries = [at for at, _ in wire.sent[3:7]]
    # 10 s, 20 s, 40 s, 40 s, less up to half.
    for (earlier, later), pause in zip(pairwise(tries), (20, 40, 40), strict=True):
        assert pause / 2 <= later - earlier <= pause + 3
    assert len({key for _, key in wire.sent}) == 30
    assert desk.delivery.statuses()[0].passage is Passage.CLOSED
    assert desk.delivery.statuses()[0].failing_since is None
    await desk.delivery.close()


async def test_a_message_that_waits_too_long_at_an_open_circuit_is_given_up_with_the_reason(clock):
    wire = Wire("wire", clock, *[busy() for _ in range(10_000)])
    terms = Terms(circuit=QUICK, keep_trying_s=300.0, first_wait_s=0.1)
    desk = Desk(wire, clock=clock, terms=terms)
    desk.delivery.offer([notification(n) for n in range(5)])
    for _ in range(100):
        await desk.pass_time(10.0)
    await desk.delivery.idle()
    failed = [each for each in desk.records if each.kind == kinds.ALERT_FAILED]
    assert {each.body["message"] for each in failed} == {f"a-{n}" for n in range(5)}
    assert {each.body["reason"] for each in failed} == {"answered 500"}
    await desk.delivery.close()


async def test_a_refusal_of_one_message_leaves_the_circuit_closed(clock):
    wire = Wire("wire", clock, *[busy(again=False) for _ in range(10)])
    desk = Desk(wire, clock=clock, terms=Terms(circuit=QUICK))
    desk.delivery.offer([notification(n) for n in range(12)])
    await desk.delivery.idle()
    assert len(wire.sent) == 12
    assert desk.delivery.statuses()[0].passage is Passage.CLOSED
    await desk.delivery.close()


async def test_a_reminder_is_not_tried_for_hours(clock):
    wire = Wire("wire", clock, *[busy() for _ in range(10_000)])
    desk = Desk(wire, clock=clock, terms=Terms(circuit=ALWAYS))
    key = "a-1.reminder-1"
    reminder = Notification(key, "wire", About.REMINDER, (alert(),), (key,), NOON)
    desk.delivery.offer([reminder])
    for _ in range(60):
        await desk.pass_time(10.0)
    assert desk.outcomes() == [kinds.ALERT_SENT, kinds.ALERT_FAILED]
    assert 300 < wire.sent[-1][0] < 400
    await desk.delivery.close()


# What is pending follows from the records alone.


def raised(number: int, *channels: str, sort: str = "event", severity: str = "caution") -> Record:
    body = {
        "identity": f"a-{number}", "kind": "k", "sort": sort, "severity": severity, "target": "T",
        "what": "w", "do": "a", "due": "2026-12-03T12:00:00Z",
        "moment": "2026-12-03T12:00:00Z", "over_at": "2026-12-03T13:00:00Z", "late": False,
        "facts": {}, "channels": list(channels), "series": f"s{number}", "begins": None,
        "ends": None, "lead_s": 0.0, "rests_on": "",
    }  # fmt: skip
    return Record(NOON + number, kinds.ALERT_RAISED, "T", "contactd", body)


def outcome(kind: str, key: str, channel: str) -> Record:
    body = {
        "message": key, "channel": channel, "parts": [key], "alerts": [key.split(".")[0]],
        "attempts": 1, "reason": "answered 500",
    }  # fmt: skip
    return Record(NOON, kind, "T", "contactd", body)


def keys(*records: Record) -> list[tuple[str, str]]:
    state = fold_alerts(AlertState(), records)
    return sorted((each.key, each.channel) for each in compose(state, NOON + 60))


def test_an_alert_is_pending_for_each_channel_until_its_outcome_is_known():
    start = raised(1, "log", "hook")
    assert keys(start) == [("a-1", "hook"), ("a-1", "log")]
    assert keys(start, outcome(kinds.ALERT_SENT, "a-1", "hook")) == [
        ("a-1", "hook"),
        ("a-1", "log"),
    ]
    assert keys(start, outcome(kinds.ALERT_DELIVERED, "a-1", "hook")) == [("a-1", "log")]
    assert keys(start, outcome(kinds.ALERT_FAILED, "a-1", "log")) == [("a-1", "hook")]


def test_a_late_report_of_failure_does_not_undo_a_delivery():
    records = (raised(1, "log"), outcome(kinds.ALERT_DELIVERED, "a-1", "log"))
    state = fold_alerts(AlertState(), (*records, outcome(kinds.ALERT_FAILED, "a-1", "log")))
    assert state.tracked["a-1"].fates["a-1", "log"].outcome is Outcome.DELIVERED


def test_the_most_severe_goes_first_then_the_oldest():
    records = [raised(1, "log"), raised(2, "log", severity="warning"), raised(3, "log")]
    state = fold_alerts(AlertState(), records)
    assert [each.key for each in compose(state, NOON + 60)] == ["a-2", "a-1", "a-3"]


def test_that_it_is_resolved_is_said_only_where_the_alert_was_delivered():
    resolved = Record(NOON + 9, kinds.ALERT_RESOLVED, "T", "contactd", {"identity": "a-1"})
    start = raised(1, "log", "hook", sort="condition")
    delivered = outcome(kinds.ALERT_DELIVERED, "a-1", "log")
    assert keys(start, delivered, resolved) == [("a-1", "hook"), ("a-1.resolved", "log")]
    done = outcome(kinds.ALERT_DELIVERED, "a-1.resolved", "log")
    assert keys(start, delivered, resolved, done) == [("a-1", "hook")]


# Over a real ledger, real sockets and a real kill.


async def serve(url: str, ledger: Ledger, until: int) -> AlertState:
    """Deliver everything that is pending in the ledger, as a service would."""
    state = fold_alerts(AlertState(), ledger.records())

    async def record(records) -> None:
        ledger.append(records)

    delivery = Delivery(record, MachineClock(), random.Random(1))
    delivery.use([(WebhookChannel("hook", url, timeout_s=2.0), Terms(first_wait_s=0.01))])
    delivery.offer(compose(state, NOON + 60))
    await asyncio.wait_for(delivery.idle(), until)
    await delivery.close()
    return fold_alerts(AlertState(), ledger.records())


async def test_a_webhook_that_answers_500_then_429_then_nothing_gets_it_all_the_same(receiver):
    def hang_up(handler) -> None:
        handler.connection.close()

    receiver.answers = [500, (429, {"Retry-After": "0"}), hang_up, 200]
    with Ledger.open("sqlite://") as ledger:
        ledger.append([replace(raised(1, "hook"), at=MachineClock().now())])
        state = await serve(receiver.url, ledger, 30)
        assert state.tracked["a-1"].fates["a-1", "hook"].outcome is Outcome.DELIVERED
        last = ledger.since(0)[-1]
        assert (last.kind, last.body["attempts"]) == (kinds.ALERT_DELIVERED, 4)
    assert {request.headers["Idempotency-Key"] for request in receiver.requests} == {"a-1"}


SENDER = """
import asyncio, random, sys, time
from contactd.alerts import AlertState, fold_alerts
from contactd.alerts.escalation_policy import Manner
from contactd.alerts.channels.webhook import WebhookChannel
from contactd.alerts.delivery import Delivery, Terms
from contactd.alerts.circuit import CircuitTerms
from contactd.alerts.grouping import compose
from contactd.core.instants import from_unix
from contactd.records import Ledger

class Clock:
    def now(self):
        return from_unix(time.time())
    async def sleep(self, seconds):
        await asyncio.sleep(seconds)

async def main(url, hook, flood):
    with Ledger.open(url) as ledger:
        async def record(records):
            ledger.append(records)
        delivery = Delivery(record, Clock(), random.Random(2))
        delivery.use([(WebhookChannel("hook", hook, timeout_s=5.0), Terms(at_once=1))])
        state = fold_alerts(AlertState(), ledger.records())
        delivery.offer(compose(state, Clock().now(), {"hook": Manner(flood_from=int(flood))}))
        print("sending", flush=True)
        await delivery.idle()
        await delivery.close()
    print("done", flush=True)

asyncio.run(main(*sys.argv[1:]))
"""


@pytest.mark.process
@pytest.mark.parametrize(("flood_from", "notifications"), [(1000, 120), (20, 3)])
def test_a_sender_killed_again_and_again_still_delivers_everything_at_least_once(
    tmp_path, receiver, flood_from, notifications
):
    url = f"sqlite:///{tmp_path}/ledger.sqlite"
    now = MachineClock().now()
    with Ledger.open(url) as ledger:
        ledger.append([replace(raised(n, "hook"), at=now) for n in range(1, 121)])
    receiver.answers = [lambda handler: (time.sleep(0.6 / notifications), receiver.answer(handler))]
    rng = random.Random(5)
    kills = 0
    for turn in range(40):
        sender = subprocess.Popen(
            [sys.executable, "-c", SENDER, url, receiver.url, str(flood_from)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert sender.stdout is not None
        assert sender.stdout.readline() == "sending\n"
        if turn < 4:
            time.sleep(rng.uniform(0.02, 0.15))
            os.kill(sender.pid, signal.SIGKILL)
        output, _ = sender.communicate(timeout=60)
        if output == "done\n":
            break
        kills += 1
    assert kills
    with Ledger.open(url) as ledger:
        state = fold_alerts(AlertState(), ledger.records())
        for number in range(1, 121):
            fates = state.tracked[f"a-{number}"].fates
            assert fates[f"a-{number}", "hook"].outcome is Outcome.DELIVERED
        assert ledger.verify().intact
        delivered = [each for each in ledger.records() if each.kind == kinds.ALERT_DELIVERED]
        assert len(delivered) == notifications, "one outcome for each message"
    got = [request.headers["Idempotency-Key"] for request in receiver.requests]
    assert len(set(got)) == notifications, "a message keeps its key, and its alerts, over a kill"
    tracked = {each["identity"] for request in receiver.requests for each in request.json["alerts"]}
    assert tracked == {f"a-{n}" for n in range(1, 121)}
    # Only what was under way when the process was killed may come twice.
    assert len(got) - len(set(got)) <= kills * 2
