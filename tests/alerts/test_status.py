"""What is told of the channels themselves."""

from dataclasses import replace

from contactd.alerts import Policy, candidates
from contactd.alerts.status import ChannelStatus, Passage, with_channels
from contactd.core import alert as kinds
from contactd.core.alert import DeadLetter

POLICY = Policy(channel_failing_after_s=60.0)


def found(world, statuses=(), letters=()):
    quiet = candidates(world.snapshot(), POLICY, world.noon)
    return with_channels(quiet, statuses, letters, POLICY).candidates


def test_channels_that_work_are_not_talked_about(world):
    assert found(world, [ChannelStatus("mail", Passage.CLOSED, None, "")]) == ()


def test_a_channel_that_fails_for_a_minute_is_a_caution_with_its_reason(world):
    status = ChannelStatus("mail", Passage.OPEN, world.noon, "answered 500", waiting=3)
    (given,) = found(world, [status])
    assert given.kind == kinds.CHANNEL_FAILING
    assert given.due == world.noon + 60
    assert given.what == ("Channel 'mail' failing since 2026-12-03 12:00:00Z: answered 500.")


def test_each_channel_is_another_fact(world):
    one = ChannelStatus("mail", Passage.OPEN, world.noon, "x")
    assert len({each.series for each in found(world, [one, replace(one, channel="hook")])}) == 2


def test_messages_that_were_given_up_are_counted_by_channel(world):
    letters = [
        DeadLetter(f"a-{n}", "mail", (f"a-{n}",), (f"a-{n}",), 3, f"550 no {n}", world.noon + n)
        for n in range(30)
    ]
    (given,) = found(world, letters=letters)
    assert given.what == "Channel 'mail': 30 messages undelivered. 550 no 29."
    assert given.due == world.noon
    assert len(given.facts["letters"]) == 20


def test_how_many_messages_wait_makes_no_other_status():
    one = ChannelStatus("mail", Passage.OPEN, 0.0, "x", waiting=1)
    assert one == replace(one, waiting=2)
