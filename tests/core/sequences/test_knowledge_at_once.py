"""What is recorded in the very moment in which it happened is believed."""

from hypothesis import given
from hypothesis import strategies as st

from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.core.sequences.knowledge import SequenceKnowledge, learn
from contactd.core.sequences.model import Delay, Sequence, Step
from contactd.mission.bodies import reading, step_seen

SEQUENCE = Sequence("Quiet Lantern", "wake-up", (Step("beacon on", Delay(fixed_s=60.0)),))
SUBJECT = "Quiet Lantern/wake-up/beacon on"


@given(st.floats(8.4e8, 9.0e8))
def test_a_sighting_and_a_reading_of_this_instant_are_not_from_the_future(now: float) -> None:
    sighting = step_seen(SEQUENCE, "beacon on", now, recorded_at=now)
    shown = reading(SEQUENCE, "beacon on", now, recorded_at=now, remaining_s=10.0, error_s=1.0)
    knowledge = SequenceKnowledge()
    for number, (kind, body) in enumerate([(kinds.READING, shown), (kinds.STEP_SEEN, sighting)]):
        knowledge = learn(knowledge, Record(now, kind, SUBJECT, "Ada Quill", body, "", number + 1))
    assert knowledge.conflicts == ()
    assert len(knowledge.readings) == 1
    assert "beacon on" in knowledge.seen
