"""What is told of a countdown that commands begin anew."""

import pytest

from contactd.alerts import Policy, candidates
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.sequences.model import NextCommand


def needed(world, by: float | None, windows_left: int) -> NextCommand:
    noon = world.noon
    windows = (("Norrsund", noon + 100, noon + 700),) if windows_left else ()
    at = None if by is None else noon + by
    return NextCommand(at, "Norrsund" if by else None, windows_left, windows, noon + 700)


def told(world, **more) -> dict:
    step = world.step(3000, 3060, step="safe mode", **more)
    snapshot = world.snapshot(forecasts=[world.forecast(step)])
    some = candidates(snapshot, Policy(ahead_s=800.0), world.noon, None).candidates
    return {each.kind: each for each in some}


def test_the_next_command_is_asked_for_by_its_last_moment(world):
    some = told(world, next_command=needed(world, 600, 3))
    one = some[kinds.COMMAND_NEEDED]
    assert one.moment == world.noon + 600
    assert "next command by 2026-12-03 12:10:00Z through Norrsund" in one.text.what
    assert "send a command through Norrsund by 12:10:00Z" in one.text.do
    assert kinds.COMMAND_WINDOWS_FEW not in some


@pytest.mark.parametrize(
    ("by", "windows_left", "severity", "says"),
    [
        (600, 2, Severity.CAUTION, "2 windows left"),
        (600, 1, Severity.CAUTION, "one command window left"),
        (None, 0, Severity.WARNING, "no command window is left"),
    ],
)
def test_few_windows_are_told_and_none_is_a_warning(world, by, windows_left, severity, says):
    one = told(world, next_command=needed(world, by, windows_left))[kinds.COMMAND_WINDOWS_FEW]
    assert one.severity is severity
    assert says in one.text.what


def test_a_command_in_doubt_is_told_with_both_parts(world):
    noon = world.noon
    parts = ((noon + 3000, noon + 3010), (noon + 3050, noon + 3060))
    one = told(world, parts=parts)[kinds.COMMAND_IN_DOUBT]
    assert "12:50:00Z to 12:50:10Z, or 2026-12-03 12:50:50Z to 12:51:00Z" in one.text.what
    assert "contactd record heard" in one.text.do
