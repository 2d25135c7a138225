"""Sequences, steps and settings as somebody names them: found, or refused with the nearest one."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from typing import Any, NoReturn

from contactd.core.errors import InputError
from contactd.core.sequences.model import Sequence, Step

Statement = dict[str, Any]
"""Body of a record of what somebody stated."""

LONGEST_S = 10 * 366 * 86_400.0
MOST_LISTED = 8


def named(kind: str, given: str, known: Iterable[str]) -> str:
    """The known name that was meant; capitals and blanks round it do not matter.

    Raises:
        InputError: if there is none; it says the nearest, or some of those there are.
    """
    names, wanted = list(known), given.strip()
    if wanted in names:
        return wanted
    folded = [name for name in names if name.casefold() == wanted.casefold()]
    if len(folded) == 1:
        return folded[0]
    if not wanted:
        says = f"No {kind} given. Name one."
    else:
        says = f"No {kind} {wanted!r}."
    by_fold = {name.casefold(): name for name in names}
    near = difflib.get_close_matches(wanted.casefold(), by_fold, n=1)
    if near:
        expected = f"a {kind}; did you mean {by_fold[near[0]]!r}?"
        says += f" Did you mean {by_fold[near[0]]!r}?"
    elif not names:
        expected = f"no {kind}: there is none"
        says += " There is none."
    else:
        more = f" and {len(names) - MOST_LISTED} more" if len(names) > MOST_LISTED else ""
        listed = ", ".join(map(repr, names[:MOST_LISTED])) + more
        expected = f"one of {listed}"
        says += f" There is {listed}."
    raise InputError(expected, repr(given), kind, says=says)


def subject_of(sequence: Sequence, step: str | None = None) -> str:
    """Subject of records about a sequence or one of its steps; the step must exist."""
    subject = f"{sequence.target}/{sequence.name}"
    return subject if step is None else f"{subject}/{known_step(sequence, step).name}"


def known_step(sequence: Sequence, name: str) -> Step:
    """The step of that name, or an error that names the nearest."""
    return sequence.step(named("step", name, [each.name for each in sequence.steps]))


def checked_setting(sequence: Sequence, step: str, setting_s: float) -> float:
    """The setting as the timer can take it, or an error that names the values next to it."""
    setting = known_step(sequence, step).delay.setting
    if setting is None:
        refuse("step", repr(step), "a step whose delay is a setting; this one's delay is fixed")
    check_length("setting", setting_s)
    low, tick = setting.least_s, setting.resolution_s
    high = low + (setting.count - 1) * tick
    if not low - 1e-6 <= setting_s <= high + 1e-6:
        refuse("setting", f"{setting_s:g} s", f"a value of {step!r} from {low:g} s to {high:g} s")
    if not setting.allows(setting_s):
        below = low + math.floor((setting_s - low) / tick) * tick
        expected = f"a value that {step!r} can be set to: {below:g} s or {below + tick:g} s"
        refuse("setting", f"{setting_s:g} s", expected)
    return setting.nearest(setting_s)


def check_length(key: str, seconds: float) -> None:
    """Refuse what is no length of time from nothing to ten years."""
    if not 0 <= seconds <= LONGEST_S:
        refuse(key, f"{seconds:g} s", "a duration from 0 s to ten years")


def refuse(key: str, found: str, expected: str, says: str = "") -> NoReturn:
    """Raise :class:`InputError`; ``says`` is the whole sentence where there is one."""
    raise InputError(expected=expected, found=found, key=key, says=says)
