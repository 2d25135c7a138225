"""The forecast: expiries, verdicts, stop-by and keep-clear."""

import pytest

from contactd.core import record as kinds
from contactd.core.contacts.contact import Coverage
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.record import Record
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.knowledge import SequenceKnowledge, learn
from contactd.core.sequences.model import (
    Clock,
    Covered,
    Delay,
    KeepClear,
    Need,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
    StepStatus,
    StopRule,
)
from contactd.core.sequences.naming import subject_of
from contactd.mission.bodies import start_observed

T0 = from_text("2026-12-03T08:00:00Z")
HOUR = 3600.0
SPAN = (T0 - HOUR, T0 + 48 * HOUR)


def coverage(*pairs: tuple[float, float], error_s: float = 0.0) -> Coverage:
    """Coverage in hours after T0, with a timing error."""
    nominal = IntervalSet.of([(T0 + a * HOUR, T0 + b * HOUR) for a, b in pairs])
    return Coverage(nominal, nominal.shrink(error_s, error_s), nominal.grow(error_s, error_s))


def sequence(**changes: object) -> Sequence:
    steps = (
        Step(
            "receiver on",
            Delay(setting=Setting(2 * HOUR, 99 * HOUR, 600.0, chosen_s=6 * HOUR)),
            needs=(Need("telemetry", 60.0, 180.0),),
        ),
        Step(
            "antenna release",
            Delay(fixed_s=120.0),
            after=("receiver on",),
            needs=(Need("command", 30.0, 120.0),),
            hazard="deployment",
            keep_clear=KeepClear(120.0, 600.0),
            stop=StopRule(lead_s=60.0, takes_effect_s=20.0),
        ),
    )
    given = {
        "target": "Lantern 3",
        "name": "wake-up",
        "steps": steps,
        "start": Start(StartStatus.OBSERVED, T0 - 30, T0, T0 + 30),
        "clock": Clock(rate_error_ppm=50.0),
    }
    return Sequence(**(given | changes))  # type: ignore[arg-type]


SERVICES = {
    "telemetry": {"Heron": coverage((1.0, 1.2), (5.9, 6.1), error_s=2.0)},
    "command": {"Heron": coverage((1.0, 1.2), (5.9, 6.1), error_s=2.0)},
}


def test_a_chain_expires_at_the_start_plus_its_delays_within_the_worst_case() -> None:
    made = forecast(sequence(), SequenceKnowledge(), SERVICES, T0, SPAN)
    first, second = made.steps
    drift = 6 * HOUR * 50e-6
    assert first.status is StepStatus.RUNNING
    assert first.nominal == pytest.approx(T0 + 6 * HOUR)
    assert first.earliest == pytest.approx(T0 + 6 * HOUR - 30 - drift, abs=1e-4)
    assert first.latest == pytest.approx(T0 + 6 * HOUR + 30 + drift, abs=1e-4)
    assert second.nominal == pytest.approx(T0 + 6 * HOUR + 120)
    assert first.coverage is Covered.COVERED
    assert first.in_view_probability == 1.0
    assert first.stations == ("Heron",)
    assert second.stop_station == "Heron"
    assert second.stop_by == pytest.approx(second.earliest - 80)
    assert second.keep_clear == (second.earliest - 120, second.latest + 600)
    assert second.stop_possible is True


def test_a_step_beyond_the_prediction_is_at_risk_and_says_why() -> None:
    made = forecast(sequence(), SequenceKnowledge(), SERVICES, T0, (T0 - HOUR, T0 + 6 * HOUR))
    assert made.steps[0].coverage is Covered.AT_RISK
    assert made.steps[0].cause is not None
    assert made.steps[0].cause.lacks == ("prediction end",)


def test_an_observed_start_overrides_the_configured_one() -> None:
    body = start_observed(T0 + 3 * HOUR, 1.0, recorded_at=T0 + 4 * HOUR)
    known = learn(
        SequenceKnowledge(),
        Record(T0 + 4 * HOUR, kinds.START_OBSERVED, subject_of(sequence()), "Ada", body, number=1),
    )
    made = forecast(sequence(), known, SERVICES, T0 + 4 * HOUR, SPAN)
    assert made.start.record == 1
    assert made.steps[0].nominal == pytest.approx(T0 + 9 * HOUR)
    assert made.steps[0].coverage is Covered.UNCOVERED
    assert made.steps[0].in_view_probability == 0.0
