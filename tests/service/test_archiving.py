"""Archiving leaves the service knowing exactly what it knew."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.alerts import AlertState, fold_alerts
from contactd.core import record as kinds
from contactd.core.instants import from_text
from contactd.core.record import Record
from contactd.mission.timetext import recorded_finite as as_text
from contactd.records import Ledger, State, fold
from contactd.service.archiving import archive

DAY_S = 86_400.0
NOW = from_text("2026-12-03T12:00:00Z")


def raised(name: str, at: float, sort: str = "event") -> Record:
    body = {
        "identity": name, "kind": "k", "sort": sort, "severity": "caution", "target": "T",
        "what": "w", "do": "a", "due": as_text(at), "moment": as_text(at),
        "over_at": as_text(at + 600) if sort == "event" else None, "late": False, "facts": {},
        "channels": ["log"], "series": f"s-{name}", "begins": None, "ends": None, "lead_s": 0.0,
        "rests_on": "",
    }  # fmt: skip
    return Record(at, kinds.ALERT_RAISED, "T", "contactd", body)


def told(kind: str, name: str, at: float) -> Record:
    body = {"message": name, "channel": "log", "about": "raised", "parts": [name],
            "alerts": [name], "attempts": 1, "reason": "answered 500"}  # fmt: skip
    return Record(at, kind, "T", "contactd", body)


def made(kind: str, subject: str, at: float, /, author: str = "Ada", **body) -> Record:
    return Record(at, kind, subject, author, body)


def known(ledger: Ledger) -> tuple[State, AlertState]:
    """What a service knows that starts now."""
    state, alerts, number = State(), AlertState(), 0
    while some := ledger.since(number, 50):
        state, alerts, number = fold(state, some), fold_alerts(alerts, some), some[-1].number
    return state, alerts


def without_counts(both: tuple[State, AlertState]):
    """All but what rests on records that are only counted, or only tell when they were made."""
    return both[0], replace(both[1], looked_at=None)


DEEDS = st.lists(
    st.tuples(
        st.sampled_from(
            ["event", "condition", "resolve", "deliver", "fail", "silence", "elements", "config",
             "start", "reading", "remark", "miss", "acknowledge"]
        ),
        st.integers(0, 5),
    ),
    max_size=120,
)  # fmt: skip


def records_of(deeds) -> list[Record]:
    records: list[Record] = []
    for number, (deed, which) in enumerate(deeds):
        at = NOW - (60 - number * 0.5) * DAY_S
        name = f"a{max(number - which, 0)}"
        body = {"earliest": as_text(at - 60), "latest": as_text(at)}
        records.append(
            {
                "event": raised(f"a{number}", at),
                "condition": raised(f"a{number}", at, "condition"),
                "resolve": made(kinds.ALERT_RESOLVED, "T", at, "contactd", identity=name, why=""),
                "deliver": told(kinds.ALERT_DELIVERED, name, at),
                "fail": told(kinds.ALERT_FAILED, name, at),
                "silence": made(
                    kinds.SILENCE_SET, "", at, silence=f"q{number}", why="x",
                    **{"from": as_text(at), "until": as_text(at + 20 * DAY_S)},
                ),
                "elements": made(kinds.ELEMENTS_ADOPTED, f"T{which}", at, "contactd", omm="x"),
                "config": made(kinds.CONFIGURATION_ADOPTED, "contactd", at, "contactd", digest="d"),
                "start": made(kinds.START_OBSERVED, f"T{which}/wake-up", at, **body),
                "reading": made(
                    kinds.READING, f"T{which}/wake-up/a", at, at=as_text(at), remaining_s=10.0
                ),
                "remark": made(kinds.REMARK, "", at, text="x"),
                "miss": made(kinds.CONTACT_MISSED, f"T{which}/Norrsund", at),
                "acknowledge": made(kinds.ALERT_ACKNOWLEDGED, "T", at, identity=name),
            }[deed]
        )  # fmt: skip
    return records


@settings(max_examples=40)
@given(DEEDS, st.integers(8, 50))
def test_a_service_that_starts_after_archiving_knows_what_it_knew_before(
    tmp_path_factory, deeds, days
):
    folder = tmp_path_factory.mktemp("archived")
    with Ledger.open(f"sqlite:///{folder}/ledger.sqlite") as ledger:
        stored = ledger.append(records_of(deeds))
        before = known(ledger)
        archive(ledger, NOW - days * DAY_S, NOW)
        assert without_counts(known(ledger)) == without_counts(before)
        assert list(ledger.records()) == stored
        assert ledger.verify().intact


def test_the_bulk_of_old_alerts_leaves_the_table(tmp_path):
    records = []
    for number in range(1500):
        at = NOW - 100 * DAY_S + number * 600
        records += [raised(f"a{number}", at), told(kinds.ALERT_DELIVERED, f"a{number}", at + 1)]
    with Ledger.open(f"sqlite:///{tmp_path}/ledger.sqlite") as ledger:
        ledger.append([*records, made(kinds.REMARK, "", NOW, text="the end")])
        done = archive(ledger, NOW - 8 * DAY_S, NOW)
        assert done.archive is not None
        # The last thousand alerts are remembered whatever their age; the others are not needed.
        assert done.kept == 2000
        assert len(ledger.since(0, 5000)) == 2001


def test_what_is_too_young_is_refused(tmp_path):
    with (
        Ledger.open(f"sqlite:///{tmp_path}/ledger.sqlite") as ledger,
        pytest.raises(ValueError, match="seven days"),
    ):
        archive(ledger, NOW - DAY_S, NOW)
