"""One statement, entered by command line, HTTP and rehearsal script: one record, one forecast."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from daemon import Daemon
from real_process import free_port
from scene import now
from watch_room import WatchRoom
from watch_service import Service

from contactd.config.rehearsal import load_script
from contactd.core import instants
from contactd.core.record import Record
from contactd.faces.cli.record import STATED
from contactd.mission.documents.steps import step_form
from contactd.mission.statements import STATEMENTS, shape_of
from contactd.records import Ledger
from contactd.service.rehearsal import Rehearsal

pytestmark = pytest.mark.process

CONTACTD = Path(sys.executable).with_name("contactd")
ABOUT = {"target": "Lantern 3", "sequence": "wake-up"}
PLANNED = {"target": "Orrery", "sequence": "crew start"}

# Of each kind, one statement without a stated error, and where there are bounds one with them.
# "-3h" stands for the time so long before the tests began, written out in full.
CASES: dict[str, list[dict[str, Any]]] = {
    "start": [
        {**ABOUT, "at": "-216min", "give_or_take": "10s"},
        {**ABOUT, "at": "-216min"},
        {**ABOUT, "earliest": "-217min", "latest": "-214min", "at": "-216min"},
        {**ABOUT, "at": "-216min", "sigma": "5s"},
    ],
    "attempt": [
        {**PLANNED, "earliest": "-30min", "latest": "-20min", "why": "a glove"},
        {**PLANNED, "at": "-30min"},
    ],
    "no-start": [{**ABOUT, "why": "no power on the bus"}],
    "plan": [
        {**PLANNED, "at": "+30h"},
        {**PLANNED, "earliest": "+30h", "latest": "+31h", "give_or_take": "1min"},
    ],
    "setting": [{**PLANNED, "step": "panel release", "setting": "3h 20min"}],
    "reading": [
        {**ABOUT, "step": "receiver on", "at": "-5min", "remaining": "29min"},
        {**ABOUT, "at": "-5min", "elapsed": "3h 31min 3.5s", "error": "2s", "at_error": "1s"},
    ],
    "confirmed": [
        {"target": "Thistle", "sequence": "boom", "step": "boom release", "at": "-2min",
         "earliest": "-4min", "how": "camera"},
    ],
    "not-confirmed": [
        {"target": "Thistle", "sequence": "boom", "step": "boom release", "from": "-2h",
         "to": "-1min", "stations": ["Brenn Head", "Saltmarsh"]},
    ],
    "sent": [{**ABOUT, "command": "stop", "step": "antenna release", "at": "-1min",
              "station": "Brenn Head"}],
    # It answers a record of the same ledger: tests/faces/cli/test_command_loss.py.
    "heard": [],
    "contact": [
        {**ABOUT, "station": "Brenn Head", "at": "-5min"},
        {**ABOUT, "station": "Brenn Head", "earliest": "-9min", "latest": "-5min"},
    ],
    "stopped": [{**ABOUT, "step": "antenna release", "at": "-1min", "why": "confirmed"}],
    "hold": [
        {**ABOUT, "earliest": "-19min", "latest": "-5min", "why": "held by the crew"},
        {**ABOUT, "step": "receiver on", "at": "-5min"},
    ],
    "resume": [
        {**ABOUT, "earliest": "-9min", "latest": "-5min"},
        {**ABOUT, "at": "-5min"},
    ],
    "power-loss": [
        {**ABOUT, "earliest": "-19min", "latest": "-5min"},
        {**ABOUT, "at": "-5min"},
    ],
    "decision": [
        {**PLANNED, "decision": "started", "why": "the counter runs", "earliest": "-9min",
         "latest": "-5min"},
        {**ABOUT, "decision": "acted", "step": "receiver on", "why": "heard", "at": "-1min"},
    ],
    "missed": [{"target": "Lantern 3", "station": "Brenn Head", "at": "-2h", "why": "wind"}],
    "aos": [
        {"target": "Lantern 3", "station": "Brenn Head", "at": "-2h", "error": "2s"},
        {"target": "Lantern 3", "station": "Brenn Head", "at": "-3h", "note": "weak"},
    ],
    "correction": [{"target": "Lantern 3", "correcting": "drop", "why": "not needed"}],
    "los": [{"target": "Lantern 3", "station": "Brenn Head", "at": "-2h"}],
    "station": [
        {"station": "Brenn Head", "status": "out", "from": "+1h", "until": "+7h", "why": "wind"},
        {"station": "Brenn Head", "status": "degraded", "from": "-1h", "note": "half power"},
    ],
    "definition": [{**ABOUT, "why": "compared with the crew's list"}],
    "retired": [{"target": "Orrery", "why": "returned"}, {**ABOUT, "why": "never loaded"}],
    "handover": [{"to": "Grace Oduya", "within": "20min"}],
    "read-back": [],  # See tests/faces/test_handing_over.py: it needs a handover.
    "remark": [{**ABOUT, "text": "crew inside", "note": "by voice loop 2"}],
}  # fmt: skip
EACH = [(verb, case) for verb, cases in CASES.items() for case in cases]


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A service of which nobody else asks anything, so that its ledger says nothing."""
    room = WatchRoom(tmp_path_factory.mktemp("same-statement"), free_port())
    daemon = Daemon(room)  # type: ignore[arg-type]
    try:
        daemon.begin()
        service = Service(room, daemon)
        yield service
        service.http.close()
    finally:
        daemon.clean_up()


def written_out(room: WatchRoom, case: dict[str, Any]) -> dict[str, Any]:
    def one(value: Any) -> Any:
        if isinstance(value, str) and value[:1] in "+-":
            hours = {"h": 3600, "min": 60}
            number = value[1:].rstrip("hmin")
            length_s = float(number) * hours[value[1:].removeprefix(number)]
            return room.text(length_s if value[0] == "+" else -length_s)
        return value

    return {key: one(value) for key, value in case.items()}


def by_command_line(room: WatchRoom, verb: str, given: dict[str, Any]) -> dict[str, Any]:
    arguments, options = [], []
    [shape] = [shape_of(each) for each in STATEMENTS if each.verb == verb]
    for each in [field for field in shape.fields if field.key in given]:
        value = given[each.key]
        optional = shape.about == "anything" and each.type in ("target", "sequence")
        if each.argument or (each.type in ("target", "sequence") and not optional):
            arguments.append(value)
            continue
        for one in value if each.many else [value]:
            options += [f"--{each.option}", one]
    printed = subprocess.run(
        [
            *(CONTACTD, "record", verb, *arguments, *options),
            *("--dry-run", "--format", "json", "--by", "m.aldous", "--config", room.config),
        ],
        capture_output=True,
        text=True,
    )
    assert printed.stdout, printed.stderr
    return json.loads(printed.stdout)


def by_script(room: WatchRoom, folder: Path, verb: str, given: dict[str, Any]) -> Any:
    script = folder / "script.yaml"
    begins = instants.to_text(now(), 0)
    content = {
        "title": "Try",
        "begins": begins,
        "lasts": "4s",
        "config": str(room.config),
        "events": [{"after": "1s", "by": "m.aldous", "say": {verb: given}}],
    }
    script.write_text(yaml.safe_dump(content))
    (folder / "kept").mkdir()
    rehearsal = Rehearsal(load_script(script), folder / "kept", folder)
    rehearsal.play()
    with Ledger.open(rehearsal.url) as ledger:
        found = [each for each in ledger.records() if each.author == "m.aldous"]
    assert len(found) == 1
    assert rehearsal.daemon is not None
    outlooks = rehearsal.daemon.snapshot().targets
    about = [given["target"]] if "target" in given else sorted(outlooks)
    return found[0], [forecast for name in about for forecast in outlooks[name].forecasts]


def told(record: dict[str, Any] | Record) -> tuple[Any, ...]:
    if isinstance(record, Record):
        body = {key: value for key, value in record.body.items() if key != "rehearsal"}
        return record.kind, record.subject, record.author, record.identity, body
    keys = ("kind", "subject", "author", "identity", "body")
    return tuple(record[key] for key in keys)


def acted_on(steps: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
    """What people act on: expiry, coverage, stop-by and keep-clear of each step."""
    keys = ("step", "earliest", "latest", "coverage", "stop_by", "stop_station", "keep_clear")
    return [tuple(each[key] for key in keys) for each in steps]


def test_every_kind_of_statement_has_a_case_here() -> None:
    verbs = {each.verb for each in STATEMENTS}
    assert verbs == set(CASES) == set(STATED)
    assert {each.verb: each.summary for each in STATEMENTS} == STATED


@pytest.mark.parametrize(("verb", "case"), EACH, ids=lambda value: str(value)[:60])
def test_the_same_statement_gives_the_same_record_and_forecast(
    quiet: Service, tmp_path: Path, verb: str, case: dict[str, Any]
) -> None:
    given = written_out(quiet.room, case)
    over_http = quiet.post("/records/preview", {"enter": verb, **given}, quiet.room.operator)
    assert over_http.status_code == 200, over_http.text
    typed = by_command_line(quiet.room, verb, given)
    assert told(typed["record"]) == told(over_http.json()["record"])
    if verb not in ("remark", "handover"):
        assert acted_on(typed["after"]) == acted_on(over_http.json()["after"])
        assert set(typed["sentences"]) == set(over_http.json()["sentences"])
    if case is not CASES[verb][0]:
        return  # A rehearsal is the slowest of the three: one of each kind.
    said, forecasts = by_script(quiet.room, tmp_path, verb, given)
    assert told(said) == told(typed["record"])
    if verb in ("remark", "handover"):
        return
    played = [step_form(step) for each in forecasts for step in each.steps]
    assert acted_on(played) == acted_on(typed["after"])


@pytest.mark.parametrize("verb", ["hold", "resume", "power-loss", "start", "attempt"])
def test_stated_bounds_are_kept_as_stated(quiet: Service, verb: str) -> None:
    given = {**ABOUT, "earliest": quiet.room.text(-14_000), "latest": quiet.room.text(-13_100)}
    body = quiet.post("/records/preview", {"enter": verb, **given}).json()["record"]["body"]
    assert [instants.from_text(body[key]) for key in ("earliest", "latest")] == [
        instants.from_text(given[key]) for key in ("earliest", "latest")
    ]


def test_a_reading_without_an_error_is_believed_to_half_its_last_digit_and_says_so(
    quiet: Service,
) -> None:
    at = quiet.room.text(-300)
    given = {**ABOUT, "step": "receiver on", "at": at, "remaining": "29min"}
    preview = quiet.post("/records/preview", {"enter": "reading", **given}).json()
    body = preview["record"]["body"]
    assert (body["error_s"], body["at_error_s"]) == (30.0, 0.5)
    assert body["assumed"].startswith("error assumed: ± 30 s, half the last digit")
    assert "Error assumed: ± 30 s, half the last digit" in preview["confirmation"]


def test_a_key_writes_one_record_whoever_repeats_it_by_command_line_or_http(
    quiet: Service,
) -> None:
    headers = {"Idempotency-Key": "pressed-twice-by-mistake"}
    body = {"enter": "remark", "text": "once is enough", "target": "Lantern 3"}
    first = quiet.operate("/records", body, headers=headers)["record"]
    assert quiet.operate("/records", body, headers=headers)["record"] == first
    typed = subprocess.run(
        [
            *(CONTACTD, "record", "remark", "once is enough", "--target", "Lantern 3"),
            *("--key", headers["Idempotency-Key"], "--by", "m.aldous", "--format", "json"),
            *("--config", quiet.room.config),
        ],
        capture_output=True,
        text=True,
    )
    assert json.loads(typed.stdout)["record"]["number"] == first["number"], typed.stderr
    other = quiet.post(
        "/records", {**body, "text": "another"}, quiet.room.operator, headers=headers
    )
    assert (other.status_code, other.json()["code"]) == (409, "key-used")
    assert f"record {first['number']}" in other.json()["detail"]
