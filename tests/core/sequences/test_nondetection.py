"""Not having seen a step refutes a start only when it could not have been missed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from contactd.core import record as kinds
from contactd.core.contacts.contact import Coverage
from contactd.core.errors import InputError
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.record import Record
from contactd.core.sequences.knowledge import learn
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import (
    Delay,
    Need,
    Sequence,
    Start,
    StartStatus,
    Step,
)
from contactd.core.sequences.nondetection import step_not_seen
from contactd.mission.bodies import Statement

T0 = from_text("2026-12-03T08:00:00Z")
SPAN = (T0 - 3_600, T0 + 86_400)
# In doubt over a minute, and a countdown of ten: it may have acted from 600 s to 660 s.
DOUBT = SequenceKnowledge(start=Start(StartStatus.IN_DOUBT, T0, T0 + 30, T0 + 60))
SEQUENCE = Sequence(
    "Lantern 3",
    "wake-up",
    (Step("receiver on", Delay(fixed_s=600.0), needs=(Need("telemetry", 30.0, 60.0),)),),
)


def covered(start: float, end: float, error_s: float = 0.0) -> dict[str, dict[str, Coverage]]:
    nominal = IntervalSet([T0 + start], [T0 + end])
    whole = Coverage(nominal, nominal.shrink(error_s, error_s), nominal.grow(error_s, error_s))
    return {"telemetry": {"Heron": whole, "Curlew": Coverage()}}


def judged(
    start: float,
    end: float,
    services: dict[str, dict[str, Coverage]],
    sequence: Sequence = SEQUENCE,
    **more: object,
) -> Statement:
    given = {"recorded_at": T0 + 5_000, "span": SPAN} | more
    return step_not_seen(
        sequence,
        DOUBT,
        "receiver on",
        T0 + start,
        T0 + end,
        services,
        **given,  # type: ignore[arg-type]
    )


def test_watching_all_of_the_possible_time_in_certain_coverage_refutes_the_start() -> None:
    body = judged(590, 700, covered(560, 730))
    assert body["refutes"] is True
    record = Record(T0 + 5_000, kinds.STEP_NOT_SEEN, "Lantern 3/wake-up/receiver on", "Ada", body)
    known = learn(DOUBT, record)
    assert known.start is not None
    assert known.start.status is StartStatus.REFUTED


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (lambda: judged(610, 700, covered(0, 900)), "was not watched for all that time"),
        (lambda: judged(590, 650, covered(0, 900)), "was not watched for all that time"),
        # The coverage must hold from 30 s before the first to 60 s after the last possible time.
        (lambda: judged(590, 700, covered(575, 730)), "telemetry was not certainly had"),
        (lambda: judged(590, 700, covered(560, 715)), "telemetry was not certainly had"),
        (lambda: judged(590, 700, covered(560, 730, 20.0)), "telemetry was not certainly had"),
        (
            lambda: judged(590, 700, covered(0, 900), stations=frozenset({"Curlew"})),
            "telemetry was not certainly had",
        ),
        (
            lambda: judged(590, 700, covered(0, 900), span=(T0 + 620, T0 + 900)),
            "does not reach back",
        ),
        (
            lambda: judged(
                590,
                700,
                covered(0, 900),
                replace(
                    SEQUENCE,
                    steps=(
                        replace(SEQUENCE.steps[0], only_if_seen="lamp"),
                        Step("lamp", Delay(fixed_s=1.0)),
                    ),
                ),
            ),
            "only if lamp is seen",
        ),
    ],
)
def test_anything_less_is_written_down_and_proves_nothing(body, words: str) -> None:  # type: ignore[no-untyped-def]
    made = body()
    assert made["refutes"] is False
    assert words in made["why"]


def test_watching_that_cannot_have_been_is_refused() -> None:
    with pytest.raises(InputError, match="not before"):
        judged(700, 590, covered(0, 900))
    with pytest.raises(InputError, match="not after now"):
        judged(590, 6_000, covered(0, 900))
    with pytest.raises(InputError, match="Curlew, Heron"):
        judged(590, 700, covered(0, 900), stations=frozenset({"Egret"}))
