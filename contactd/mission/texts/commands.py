"""Until when the next command is needed, so that a countdown is begun anew, in words."""

from __future__ import annotations

from contactd.core.sequences.model import NextCommand, StepForecast
from contactd.mission.texts.text import Actor, Text, bounds, joined, step_of, until
from contactd.mission.timetext import NO_LATER, inner, moment, outer

CONTROLLER = Actor.CONTROLLER

NO_WINDOW = "no command window is left before it may expire"


def next_command_text(step: StepForecast, now_s: float | None = None) -> str:
    """``next command by 07:44:59Z through Greywater; windows left: 5``; "" where none is needed.

    Args:
        now_s: the present instant (s), to leave out dates within twelve hours; None for the date
            in any case.
    """
    needed = step.next_command
    if needed is None:
        return ""
    if needed.by is None:
        return NO_WINDOW
    by = moment(needed.by, NO_LATER, now_s=now_s)
    return f"next command by {by} through {needed.station}; windows left: {needed.windows_left}"


def last_windows_text(needed: NextCommand, now_s: float | None = None) -> str:
    """``Mesa Roja 05:10:00Z to 05:18:00Z, Greywater …``: the last windows, by time; "" for none."""
    return ", ".join(
        f"{station} {inner(opens, closes, now_s=now_s)}"
        for station, opens, closes in needed.last_windows
    )


def parts_text(step: StepForecast, now_s: float | None = None) -> str:
    """``A to B, or C to D``: the parts of the possible expiries; "" where there is only one."""
    return ", or ".join(outer(*part, now_s=now_s) for part in step.parts)


def command_needed(step: StepForecast, needed: NextCommand, now_s: float, notice: str = "") -> Text:
    """The last moment at which a command still begins the countdown anew before it may expire."""
    assert needed.by is not None
    assert step.earliest is not None
    by = until(needed.by, now_s)
    return Text(
        f"{step_of(step.target, step.step)}: next command by {until(needed.by)} through "
        f"{needed.station}; else it may expire from {until(step.earliest)}.",
        f"{CONTROLLER}: send a command through {needed.station} by {by}; record it as sent.",
        notice,
    )


def command_windows_few(
    step: StepForecast, needed: NextCommand, now_s: float, notice: str = ""
) -> Text:
    """Few command windows are left before the countdown may expire, or none."""
    assert step.earliest is not None
    assert step.latest is not None
    whose = step_of(step.target, step.step)
    if needed.by is None:
        return Text(
            f"{whose}: no command window is left before {until(step.earliest)}.",
            joined(
                f"{CONTROLLER}: treat it as certain to expire, "
                f"{bounds(step.earliest, step.latest, now_s)}.",
                "Another commanding station could change this.",
            ),
            notice,
        )
    count = "one command window" if needed.windows_left == 1 else f"{needed.windows_left} windows"
    return Text(
        f"{whose}: {count} left before {until(step.earliest)}.",
        f"{CONTROLLER}: hold {last_windows_text(needed, now_s)}; ask for more station time.",
        notice,
    )


def command_in_doubt(step: StepForecast, now_s: float) -> Text:
    """It is not known whether a command was heard, so that a countdown may expire in parts."""
    return Text(
        f"{step_of(step.target, step.step)} expires {parts_text(step)}: it is not known whether a "
        "command was heard.",
        f"{CONTROLLER}: find out and record it (contactd record heard); until then count on the "
        f"first.",
    )
