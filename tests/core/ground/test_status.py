"""What is stated of a station: the latest statement about a moment counts, and files stand."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from contactd.core import record as kinds
from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.coverage import in_service
from contactd.core.ground.station import Station
from contactd.core.ground.status import BACK, DEGRADED, OUT, STATUSES, learn_status, with_status
from contactd.core.instants import FOREVER, from_text, to_text
from contactd.core.intervals import IntervalSet
from contactd.core.record import Record

T0 = from_text("2026-12-03T08:00:00Z")
PLAIN = Station("Mesa Roja", 0.0, 0.0, outages=IntervalSet([T0 + 50.0], [T0 + 60.0]))


def record(status: str, start_s: float, end_s: float | None, number: int = 1) -> Record:
    body = {"status": status, "from": to_text(T0 + start_s, 6), "why": "wind"}
    if end_s is not None:
        body["until"] = to_text(T0 + end_s, 6)
    return Record(T0, kinds.STATION_STATUS, "Mesa Roja", "Ada Quill", body, number=number)


def station(*records: Record) -> Station:
    known = ()
    for each in records:
        known = learn_status(known, each)
    return with_status(PLAIN, known)


def test_until_further_notice_ends_where_no_moment_is_taken() -> None:
    assert from_text("2200-01-01T00:00:00Z") == FOREVER
    assert station(record(OUT, 0, None)).outages.covers(T0, FOREVER - 1.0)


Statement = st.tuples(
    st.sampled_from(STATUSES), st.integers(0, 99), st.one_of(st.none(), st.integers(1, 60))
)


@given(st.lists(Statement, max_size=12))
def test_at_each_moment_the_last_statement_about_it_counts_and_files_outages_stand(
    statements: list[tuple[str, int, int | None]],
) -> None:
    made = station(
        *(
            record(status, start, None if lasts is None else start + lasts, number)
            for number, (status, start, lasts) in enumerate(statements, 1)
        )
    )
    for second in range(170):
        at = T0 + second + 0.5
        told = [
            status
            for status, start, lasts in statements
            if start <= second and (lasts is None or second < start + lasts)
        ]
        last = told[-1] if told else BACK
        assert (at in made.outages) == (last == OUT or 50 <= second < 60)
        assert (at in made.degraded) == (last == DEGRADED)


def test_a_status_that_cannot_be_read_changes_nothing() -> None:
    known = learn_status((), record(OUT, 0, 10))
    for broken in (
        {"status": "gone", "from": to_text(T0)},
        {"status": OUT},
        {"status": OUT, "from": "soon"},
        {"status": OUT, "from": to_text(T0), "until": to_text(T0)},
    ):
        body = Record(T0, kinds.STATION_STATUS, "Mesa Roja", "Ada Quill", broken)
        assert learn_status(known, body) == known


def test_back_leaves_the_station_as_its_file_says_and_stating_anew_does_not_add_up() -> None:
    out = station(record(OUT, 0, 30))
    assert with_status(out, ()) == PLAIN
    later = learn_status(out.stated, record(BACK, 0, None, 2))
    assert with_status(out, later) == PLAIN
    again = with_status(out, learn_status((), record(OUT, 10, 20)))
    assert again == station(record(OUT, 10, 20))


def test_out_takes_coverage_and_degraded_takes_only_what_was_certain_of_it() -> None:
    whole = Coverage(*(IntervalSet([T0], [T0 + 100.0]) for _ in range(3)))
    given = {"command": {"Mesa Roja": whole, "Quarry Hill": whole}}
    stations = {"Mesa Roja": station(record(OUT, 10, 20), record(DEGRADED, 30, 40))}
    left = in_service(given, stations)["command"]
    assert left["Quarry Hill"] == whole
    out = IntervalSet.of([(T0 + 10.0, T0 + 20.0), (T0 + 50.0, T0 + 60.0)])
    assert left["Mesa Roja"].nominal == left["Mesa Roja"].possible == whole.nominal - out
    degraded = IntervalSet([T0 + 30.0], [T0 + 40.0])
    assert left["Mesa Roja"].certain == whole.nominal - out - degraded
    assert in_service(given, {"Mesa Roja": PLAIN}) is given
