"""Entering over HTTP: accepted and refused as on the command line, previewed, written once."""

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from waiting import wait_for

pytestmark = pytest.mark.process

CONTACTD = Path(sys.executable).with_name("contactd")


def ago(**length):
    return (datetime.now(UTC) - timedelta(**length)).replace(microsecond=0).isoformat()[:19] + "Z"


def entry(enter, **fields):
    return {"enter": enter, "target": "Thistle", "sequence": "boom", **fields}


ENTRIES = [
    entry("attempt", earliest=ago(minutes=90), latest=ago(minutes=80), why="a bump"),
    entry("sent", at=ago(minutes=3), command="beacon off", station="Brenn Head"),
    entry("power-loss", at=ago(minutes=5), give_or_take="20s"),
    entry("hold", step="boom release", at=ago(minutes=4), give_or_take="5s"),
    entry("resume", step="boom release", at=ago(minutes=2), give_or_take="5s"),
    entry(
        "not-confirmed",
        step="boom release",
        **{"from": ago(hours=2), "to": ago(minutes=1)},
    ),
    entry("missed", station="Brenn Head", at=ago(hours=2), why="wind"),
    entry("decision", decision="started", why="the counter was seen to run"),
    entry("remark", text="handed over to the day shift"),
    {
        "enter": "setting",
        "target": "Orrery",
        "sequence": "crew start",
        "step": "panel release",
        "setting": "3h 20min",
    },
    {"enter": "plan", "target": "Orrery", "sequence": "crew start", "at": "2031-01-01T00:00:00Z"},
]


@pytest.mark.parametrize("body", ENTRIES, ids=lambda body: body["enter"])
def test_what_can_be_true_is_written_and_read_back(service, body):
    written = service.operate("/records", body)["record"]
    assert written["author"] == "m.aldous"
    assert written["subject"].startswith(body["target"])
    assert service.json(f"/records/{written['number']}") == written


WRONG = [
    (entry("start", at="2031-01-01T00:00:00Z"), "earliest", "not after now"),
    (entry("start", earliest=ago(hours=1)), "latest", "both bounds"),
    (entry("start"), "at", "a time"),
    (entry("attempt", earliest=ago(hours=1), latest=ago(hours=2)), "latest", "not before"),
    (entry("no-start", why=" "), "why", "how it is known"),
    (
        entry("reading", step="boom release", at=ago(minutes=1)),
        "remaining",
        "either the remaining or the elapsed",
    ),
    (
        entry("reading", step="boom release", at=ago(minutes=1), remaining="1 fortnight"),
        "remaining",
        "a duration such as",
    ),
    (
        entry("confirmed", step="boom releas", at=ago(minutes=1)),
        "step",
        "did you mean 'boom release'?",
    ),
    (entry("decision", decision="perhaps", why="hm"), "decision", "'started'"),
    (
        entry("sent", at=ago(minutes=1), command="x", station="Bren Head"),
        "station",
        "'Brenn Head'",
    ),
    (
        {
            "enter": "setting",
            "target": "Orrery",
            "sequence": "crew start",
            "step": "panel release",
            "setting": "65min",
        },
        "setting",
        "3600 s or 4200 s",
    ),
    (entry("remark", text="  "), "text", "a remark"),
    (entry("confirmed", step="boom release", at="2026-11-25T06:00:00"), "at", "no time zone"),
]


@pytest.mark.parametrize(("body", "key", "expected"), WRONG, ids=lambda value: str(value)[:24])
def test_what_cannot_be_is_refused_and_names_the_field(service, body, key, expected):
    last = service.json("/now")["ledger_at"]
    answer = service.post("/records", body, service.room.operator)
    assert answer.status_code == 422, answer.text
    [error] = answer.json()["errors"]
    assert error["key"] == key
    assert expected in error["expected"]
    newer = service.json("/records", kind=["reading", "ruling", "start-observed"], limit=1)
    assert not newer or newer[0]["number"] <= last


def test_the_command_line_refuses_with_the_same_words(service):
    body = entry("confirmed", step="boom releas", at=ago(minutes=1))
    [error] = service.post("/records", body, service.room.operator).json()["errors"]
    printed = subprocess.run(
        [
            *(CONTACTD, "record", "confirmed", "--config", service.room.config),
            *("Thistle", "boom", "boom releas", "--at", body["at"]),
        ],
        capture_output=True,
        text=True,
    )
    assert printed.returncode != 0
    assert (
        printed.stderr.strip()
        == error["says"]
        == ("No step 'boom releas'. Did you mean 'boom release'?")
    )


def test_a_preview_tells_what_would_move_and_writes_nothing(service):
    body = {
        "enter": "start",
        "target": "Lantern 3",
        "sequence": "wake-up",
        "at": ago(hours=3, minutes=36),
        "give_or_take": "10s",
    }
    last = service.json("/records", limit=1)[0]["number"]
    change = service.post("/records/preview", body).json()
    assert any(
        text.startswith("'receiver on' expires ") and "; was " in text
        for text in change["sentences"]
    )
    assert change["record"]["number"] is None
    moved = [
        (was["earliest"], now_is["earliest"])
        for was, now_is in zip(change["before"], change["after"], strict=True)
    ]
    assert all(was != now_is for was, now_is in moved)
    kinds = {each["kind"] for each in service.json("/records", limit=50) if each["number"] > last}
    assert all(kind.startswith("alert-") for kind in kinds)


def test_what_was_previewed_is_what_then_holds(service):
    body = {
        "enter": "reading",
        "target": "Lantern 3",
        "sequence": "wake-up",
        "step": "apogee motor",
        "at": ago(minutes=1),
        "elapsed": "0s",
        "error": "4h",
    }
    previewed = service.post("/records/preview", body).json()["after"]
    service.operate("/records", body)
    steps = [each for each in service.json("/forecast") if each["target"] == "Lantern 3"]
    for before, now_is in zip(previewed, steps, strict=True):
        assert (before["earliest"], before["latest"]) == (now_is["earliest"], now_is["latest"])


def test_the_same_key_twice_writes_one_record(service):
    headers = {"Idempotency-Key": "pressed-twice-by-mistake"}
    body = entry("remark", text="once is enough")
    numbers = {
        service.operate("/records", body, headers=headers)["record"]["number"] for _ in range(3)
    }
    assert len(numbers) == 1


def test_an_entry_that_rests_on_an_old_picture_is_held_back(service):
    seen = service.json("/now")["ledger_at"]
    newer = service.operate("/records", entry("remark", text="meanwhile"))["record"]["number"]
    answer = service.post(
        "/records",
        entry("remark", text="too late"),
        service.room.operator,
        params={"ledger_at": seen},
    )
    assert answer.status_code == 409
    assert answer.json()["code"] == "too-long-ago"
    assert f"Record {newer} (m.aldous) is newer than your preview." in answer.json()["detail"]
    service.operate("/records", entry("remark", text="in time"), params={"ledger_at": newer})


def test_many_entries_at_once_are_all_written(service):
    def write(index):
        body = {"enter": "remark", "target": "Wren 2", "text": f"remark {index}"}
        return service.operate("/records", body)["record"]["number"]

    with ThreadPoolExecutor(8) as pool:
        numbers = list(pool.map(write, range(24)))
    assert len(set(numbers)) == 24
    texts = {
        each["body"]["text"] for each in service.json("/records", subject="Wren 2", kind="remark")
    }
    assert texts == {f"remark {index}" for index in range(24)}


def test_an_alert_is_acknowledged_once_and_waits_no_more(service):
    alert = next(each for each in service.json("/alerts") if each["severity"] == "warning")
    path = f"/alerts/{alert['identity']}/acknowledge"
    written = service.operate(path, {"note": "on it"})
    assert written["kind"] == "alert-acknowledged"
    assert written["body"] == {"identity": alert["identity"], "remark": "on it"}
    assert alert["identity"] not in [each["identity"] for each in service.json("/alerts")]
    again = service.post(path, {}, service.room.operator)
    assert (again.status_code, again.json()["code"]) == (409, "done")
    assert "acknowledged by m.aldous at " in again.json()["detail"]


def test_a_plan_is_previewed_and_then_used_whole(service):
    query = {"target": "Orrery", "sequence": "crew start"}
    best = service.json("/alignment", **query)["options"][0]
    plan = {**query, "start": best["best_start"], "settings": best["settings"]}
    change = service.post("/alignment/preview", plan).json()
    assert {each["coverage"] for each in change["after"]} == {"covered"}
    written = service.operate("/alignment/use", plan)["records"]
    assert [each["kind"] for each in written] == ["setting-chosen"] * 2 + ["start-planned"]

    def covered():
        steps = [each for each in service.json("/forecast") if each["target"] == "Orrery"]
        return {each["coverage"] for each in steps} == {"covered"}

    wait_for(covered, "the plan to be in force")


def test_a_plan_with_a_setting_off_the_dial_writes_nothing(service):
    plan = {
        "target": "Orrery",
        "sequence": "crew start",
        "start": "2031-01-01T00:00:00Z",
        "settings": {"receiver on": 28800, "panel release": 3601},
    }
    kinds = ["setting-chosen", "start-planned"]
    before = service.json("/records", kind=kinds, limit=1)
    answer = service.post("/alignment/use", plan, service.room.operator)
    assert answer.status_code == 422
    assert service.json("/records", kind=kinds, limit=1) == before
