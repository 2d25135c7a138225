"""The state as a fold of records: order, pieces, and what was known when."""

from hypothesis import given
from hypothesis import strategies as st

from contactd.core import record as kinds
from contactd.core.instants import from_text, to_text
from contactd.core.record import Record
from contactd.core.sequences.model import StartStatus
from contactd.records import Ledger
from contactd.records.state import MOST_MISSED_CONTACTS, State, as_known_at, fold

NOON = from_text("2026-12-03T12:00:00Z")


def made(number: int, kind: str, subject: str, when: float = NOON, /, **body) -> Record:
    return Record(at=when, kind=kind, subject=subject, author="Ada", body=body, number=number)


def started(number: int, at: float, sequence: str = "Lantern 3/wake-up") -> Record:
    bounds = {"earliest": to_text(at - 30, 6), "nominal": to_text(at, 6), "latest": to_text(at, 6)}
    return made(number, kinds.START_OBSERVED, sequence, at + 60, **bounds)


def test_nothing_is_known_from_nothing():
    assert fold(State(), []) == State()


def test_a_start_reaches_the_sequence_that_its_subject_names():
    state = fold(State(), [started(1, NOON), started(2, NOON, "Moth 1/deploy")])
    assert set(state.sequences) == {("Lantern 3", "wake-up"), ("Moth 1", "deploy")}
    start = state.sequences["Lantern 3", "wake-up"].start
    assert start is not None
    assert (start.status, start.record) == (StartStatus.OBSERVED, 1)


def test_a_reading_of_a_step_is_known_of_its_sequence():
    reading = made(
        2, kinds.READING, "Lantern 3/wake-up/antenna release", NOON + 90,
        at=to_text(NOON + 80, 6), remaining_s=100.0,
    )  # fmt: skip
    known = fold(State(), [started(1, NOON), reading]).sequences["Lantern 3", "wake-up"]
    assert known.readings[0].step == "antenna release"


def test_what_is_adopted_later_replaces_what_was_adopted_before():
    state = fold(
        State(),
        [
            made(1, kinds.CONFIGURATION_ADOPTED, "", digest="aa"),
            made(2, kinds.ELEMENTS_ADOPTED, "Lantern 3", text="old"),
            made(3, kinds.CONFIGURATION_REFUSED, "", problems=["x"]),
            made(4, kinds.ELEMENTS_ADOPTED, "Lantern 3", text="new"),
        ],
    )
    assert state.configuration_digest == "aa"
    assert state.configuration_refused is not None
    assert state.elements["Lantern 3"].body["text"] == "new"
    after = fold(state, [made(5, kinds.CONFIGURATION_ADOPTED, "", digest="bb")])
    assert after.configuration_digest == "bb"
    assert after.configuration_refused is None


def test_missed_contacts_are_kept_in_bounds():
    missed = [made(n, kinds.CONTACT_MISSED, "Lantern 3/Norrsund", n) for n in range(1, 301)]
    kept = fold(State(), missed).missed_contacts["Lantern 3"]
    assert [record.number for record in kept] == list(range(301 - MOST_MISSED_CONTACTS, 301))


def test_a_record_that_cannot_be_read_changes_no_start_and_raises_nothing():
    broken = made(2, kinds.START_OBSERVED, "Lantern 3/wake-up", earliest="yesterday")
    unknown = made(3, "of-another-age", "Lantern 3")
    state = fold(State(), [started(1, NOON), broken, unknown])
    known = state.sequences["Lantern 3", "wake-up"]
    assert known.start is not None
    assert known.start.record == 1
    assert known.conflicts
    assert state.number == 3


def test_records_not_yet_stored_count_without_moving_the_number():
    state = fold(State(), [made(4, kinds.REMARK, ""), made(0, kinds.REMARK, "")])
    assert (state.number, state.remarks) == (4, 2)


def test_what_was_known_then_is_only_what_had_been_recorded_then():
    records = [
        made(1, kinds.REMARK, "", NOON),
        started(2, NOON + 3600),
        made(3, kinds.REMARK, "", NOON + 10),  # entered late, recorded with an earlier clock
    ]
    before = as_known_at(records, NOON + 100)
    assert not before.sequences
    assert before.remarks == 2
    assert as_known_at(records, NOON + 3660).sequences


RECORDS = st.lists(
    st.sampled_from(
        [
            (kinds.REMARK, "Lantern 3", {}),
            (kinds.CONFIGURATION_ADOPTED, "", {"digest": "a"}),
            (kinds.CONFIGURATION_REFUSED, "", {}),
            (kinds.ELEMENTS_ADOPTED, "Lantern 3", {"text": "e"}),
            (kinds.CONTACT_MISSED, "Lantern 3/Norrsund", {}),
            (kinds.SERVICE_STARTED, "", {}),
            (kinds.SERVICE_STOPPED, "", {}),
            (kinds.SEQUENCE_STOPPED, "Lantern 3/wake-up", {"at": to_text(NOON, 6)}),
            (kinds.STEP_SEEN, "Lantern 3/wake-up/a", {"at": to_text(NOON, 6)}),
            (kinds.RULING, "Lantern 3/wake-up", {"ruling": "not started"}),
        ]
    ),
    max_size=30,
)


@given(RECORDS, st.data())
def test_folding_in_pieces_or_twice_gives_the_same_as_folding_at_once(given_records, data):
    records = [
        Record(NOON + n, kind, subject, "Ada", body, number=n)
        for n, (kind, subject, body) in enumerate(given_records, 1)
    ]
    cut = data.draw(st.integers(0, len(records)))
    whole = fold(State(), records)
    assert fold(fold(State(), records[:cut]), records[cut:]) == whole
    assert fold(fold(State(), records[:cut]), records) == whole
    assert fold(whole, records) == whole


@given(RECORDS)
def test_the_state_of_what_was_stored_is_the_state_of_what_was_meant(given_records):
    records = [
        Record(NOON + n, kind, subject, "Ada", body)
        for n, (kind, subject, body) in enumerate(given_records, 1)
    ]
    with Ledger.open("sqlite://") as ledger:
        stored = ledger.append(records)
        assert fold(State(), ledger.records()) == fold(State(), stored)
