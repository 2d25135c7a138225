"""The documents of the interface: as described, as the command line gives them, paged and kept."""

import gzip
import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from contactd.faces.http.problems import TITLES
from contactd.faces.http.routes.handover import HandoverSheet
from contactd.mission.documents import models
from contactd.mission.documents.models import Contact as ContactDocument
from contactd.mission.documents.models import ForecastStep as StepDocument

pytestmark = pytest.mark.process

CONTACTD = Path(sys.executable).with_name("contactd")
DOCUMENTS = {
    "/now": models.Now,
    "/targets": list[models.Target],
    "/stations": list[models.Station],
    "/alerts": list[models.Alert],
    "/contacts": list[models.Contact],
    "/windows": list[models.Window],
    "/forecast": list[models.ForecastStep],
    "/sequences": list[models.SequenceForecast],
    "/records": list[models.Record],
    "/orbit": list[models.Orbit],
    "/session": models.Session,
    "/statements": list[models.StatementKind],
    "/handover": HandoverSheet,
    "/alignment?target=Orrery&sequence=crew start": models.Alignment,
    "/alignment/starts?target=Orrery&sequence=crew start": models.Starts,
}


@pytest.mark.parametrize("path", DOCUMENTS)
def test_every_document_is_as_the_interface_describes_it(service, path):
    answer = service.get(path)
    assert answer.status_code == 200, answer.text
    TypeAdapter(DOCUMENTS[path]).validate_json(answer.content, strict=True, by_alias=True)
    assert answer.json(), "an empty document would be as described whatever is wrong"


def _has_model(method):
    if method is None:
        return False
    content = method["responses"]["200"]["content"].get("application/json", {})
    return "$ref" in str(content.get("schema"))


def test_every_described_document_is_looked_at(service):
    described = service.json("/openapi.json")["paths"]
    looked_at = {path.partition("?")[0] for path in DOCUMENTS}
    with_models = {
        path.removeprefix("/api/v1")
        for path, methods in described.items()
        if path.startswith("/api/v1/") and "{" not in path and _has_model(methods.get("get"))
    }
    drawn = {"/", "/timeline", "/profiles", "/light", "/sky", "/ground"}
    only_in_a_rehearsal = {"/rehearsal"}
    assert with_models - drawn - only_in_a_rehearsal <= looked_at


def test_contacts_have_the_fields_that_other_programs_rely_on_in_order_of_aos(service):
    contacts = service.json("/contacts", limit=5000)
    assert len(contacts) > 100
    assert all(tuple(each) == tuple(ContactDocument.__annotations__) for each in contacts)
    assert [each["aos"] for each in contacts] == sorted(each["aos"] for each in contacts)


def test_forecasts_have_the_fields_that_other_programs_rely_on(service):
    steps = service.json("/forecast")
    assert {each["target"] for each in steps} == {"Lantern 3", "Thistle", "Orrery"}
    assert all(tuple(each) == tuple(StepDocument.__annotations__) for each in steps)


def test_contacts_are_those_of_the_command_line(service):
    start = datetime.now(UTC).replace(microsecond=0) + timedelta(hours=1)
    end = start + timedelta(days=1)
    texts = [each.isoformat().replace("+00:00", "Z") for each in (start, end)]
    printed = subprocess.run(
        [
            *(CONTACTD, "contacts", "--config", service.room.config, "--format", "json"),
            *("--target", "Lantern 3", "--from", texts[0], "--to", texts[1]),
        ],
        check=True,
        capture_output=True,
    )
    inside = [
        each
        for each in json.loads(printed.stdout)
        if not each["cut_at_start"] and not each["cut_at_end"]
    ]
    asked = service.json("/contacts", target="Lantern 3", **{"from": texts[0], "to": texts[1]})
    by_tca = {(each["station"], each["tca"][:19]): each for each in asked}
    assert len(inside) > 5
    for each in inside:
        same = by_tca[each["station"], each["tca"][:19]]
        aos, other = (datetime.fromisoformat(one["aos"]) for one in (each, same))
        # The two plans begin at other moments, and both keep to 10 ms of the same root.
        assert abs((aos - other).total_seconds()) <= 0.02
        assert abs(each["max_elevation_deg"] - same["max_elevation_deg"]) <= 0.002


def test_pages_make_up_the_whole_without_gap_or_repetition(service):
    whole = service.json("/contacts", limit=5000)
    path, found = "/contacts?limit=37", []
    for _ in range(len(whole)):
        answer = service.get(path)
        found += answer.json()
        if "next" not in answer.links:
            break
        path = answer.links["next"]["url"].removeprefix("/api/v1")
    key = ("target", "station", "aos")
    expected = [tuple(each[name] for name in key) for each in whole]
    assert [tuple(each[name] for name in key) for each in found] == expected


def test_a_document_that_is_known_already_is_not_sent_again(service):
    first = service.get("/stations")
    again = service.http.get(
        "/api/v1/stations", headers={"If-None-Match": f'"other", {first.headers["ETag"]}'}
    )
    assert again.status_code == 304
    assert again.content == b""
    assert again.headers["ETag"] == first.headers["ETag"]


def test_a_document_changes_its_tag_when_something_is_recorded(service):
    before = service.get("/now").headers["ETag"]
    entry = {"enter": "remark", "target": "", "text": "a new tag, please"}
    service.operate("/records", entry)
    assert service.get("/now").headers["ETag"] != before


def test_large_documents_travel_compressed_and_are_the_same(service):
    with service.http.stream(
        "GET", "/api/v1/timeline", headers={"Accept-Encoding": "gzip"}
    ) as answer:
        packed = b"".join(answer.iter_raw())
    plain = service.http.get("/api/v1/timeline", headers={"Accept-Encoding": "identity"})
    assert answer.headers["Content-Encoding"] == "gzip"
    assert len(packed) < len(plain.content) / 2
    assert json.loads(gzip.decompress(packed)).keys() == plain.json().keys()


@pytest.mark.parametrize(
    ("path", "status", "code", "says"),
    [
        ("/contacts?target=Lantern", 404, "not-found", "Did you mean 'Lantern 3'?"),
        ("/contacts?station=Bren Head", 404, "not-found", "Did you mean 'Brenn Head'?"),
        ("/contacts?from=2026-12-03T08:00:00", 422, "input", "no time zone"),
        ("/contacts?from=yesterday", 422, "input", "is not a UTC time"),
        ("/contacts?limit=0", 422, "input", "greater than or equal to 1"),
        ("/contacts?cursor=abc", 422, "input", "cursor"),
        ("/contacts?known_at=2190-01-01T00:00:00Z", 422, "input", "future"),
        ("/nothing-here", 404, "not-found", "Not Found"),
        ("/sky?target=Lantern 3&station=Brenn Head", 422, "input", "at"),
        (
            "/sky?target=Lantern 3&station=Brenn Head&at=2100-01-01T00:00:00Z",
            404,
            "not-found",
            "no contact",
        ),
        ("/alignment?target=Orrery&sequence=crew", 404, "not-found", "crew start"),
        (
            '/alignment?target=Orrery&sequence=crew start&settings={"receiver on":1}',
            422,
            "input",
            "7200",
        ),
        ("/alignment?target=Orrery&sequence=crew start&settings=[1]", 422, "input", "JSON object"),
    ],
)
def test_errors_are_problem_documents_that_say_what_to_do(service, path, status, code, says):
    answer = service.get(path)
    assert answer.status_code == status, answer.text
    assert answer.headers["Content-Type"] == "application/problem+json"
    problem = answer.json()
    assert problem["code"] == code
    assert problem["type"] == f"/api/v1/problems/{code}"
    assert problem["title"] == TITLES[code]
    assert says in problem["detail"]


def test_every_problem_type_can_be_looked_up(service):
    for code, title in TITLES.items():
        assert service.json(f"/problems/{code}")["title"] == title


def test_too_much_at_once_is_refused(service):
    answer = service.post("/records", {"enter": "remark", "text": "x" * 100_000})
    assert answer.status_code == 413
    assert answer.json()["code"] == "too-large"
    assert service.get(f"/contacts?{'x' * 20_000}").status_code == 413


def test_every_answer_says_what_a_browser_may_do_with_it(service):
    for path in ("/", "/static/js/main.js", "/api/v1/now", "/api/v1/nothing", "/metrics"):
        headers = service.http.get(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert headers["X-Content-Type-Options"] == "nosniff"


def test_the_state_as_known_earlier_does_not_know_what_came_after(service):
    before = datetime.now(UTC).isoformat().replace("+00:00", "Z")
    number = service.operate(
        "/records", {"enter": "remark", "target": "Lantern 3", "text": "later"}
    )["record"]["number"]
    then = [each["number"] for each in service.json("/records", known_at=before)]
    assert number not in then
    assert number in [each["number"] for each in service.json("/records")]
    assert service.json("/now", known_at=before)["ledger_at"] < number


def test_records_can_be_narrowed_and_paged(service):
    for word in ("one", "two", "three"):
        service.operate("/records", {"enter": "remark", "target": "Wren 1", "text": word})
    answer = service.get("/records", subject="Wren 1", kind="remark", limit=2)
    assert [each["body"]["text"] for each in answer.json()] == ["three", "two"]
    older = service.get(answer.links["next"]["url"].removeprefix("/api/v1")).json()
    assert older[0]["body"]["text"] == "one"
    assert {each["subject"] for each in [*answer.json(), *older]} == {"Wren 1"}
    assert service.json("/records", subject="Wren") == []
