"""What makes an alert the same fact again, apart from time: its series."""

from __future__ import annotations

import re

from contactd.core.alert import OF_A_CHAIN

NO_END = "no end"
"""Stands for a decision without a deadline in records."""
_OF_START = re.compile(r"\|start -?\d+$")


def step_series(kind: str, target: str, sequence: str, step: str) -> str:
    """The series of an alert about a step: that of its sequence, where that has one alert."""
    where = f"{kind}|{target}/{sequence}"
    return where if kind in OF_A_CHAIN else f"{where}/{step}"


def present_series(series: str) -> str:
    """A series as it is today: ledgers before version 0.2 named the start in it."""
    plain = _OF_START.sub("", series)
    if plain == series:
        return series
    kind, _, subject = plain.partition("|")
    target, _, rest = subject.partition("/")
    sequence, _, step = rest.partition("/")
    return step_series(kind, target, sequence, step)
