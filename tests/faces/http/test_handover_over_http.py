"""The handover as a document and as a sheet of paper, from the running service."""

import io
from datetime import UTC, datetime, timedelta

import pytest
from pypdf import PdfReader

pytestmark = pytest.mark.process


def text_of(hours: float) -> str:
    moment = datetime.now(UTC) + timedelta(hours=hours)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def test_the_handover_tells_what_is_open_coming_and_known(service):
    found = service.json("/handover")
    assert found["complete"]
    open_alerts = {each["what"] for each in service.json("/alerts")}
    told = " ".join(each["what"] for each in found["open"])
    assert all(what in told for what in open_alerts)
    times = [each["at"] for each in found["coming"]]
    assert times == sorted(times)
    steps = {each["step"] for each in service.json("/forecast", target="Lantern 3")}
    about = {each["about"] for each in found["known"]}
    assert {f"Lantern 3/wake-up/{step}" for step in steps} <= about
    assert "does not certify safety" in found["notice"]


def test_what_lies_after_the_next_shift_is_left_out(service):
    near = service.json("/handover", until=text_of(1))
    far = service.json("/handover", until=text_of(12))
    assert len(near["coming"]) < len(far["coming"])
    assert all(each["at"] < near["until"] for each in near["coming"])


def test_what_was_recorded_before_the_shift_is_left_out(service):
    every = service.json("/handover")["changed"]
    since = every[-1]["at"]
    kept = service.json("/handover", since=since)["changed"]
    assert every[0]["at"] < since
    assert 0 < len(kept) < len(every)
    assert all(each["at"] >= since for each in kept)


@pytest.mark.parametrize("query", [{"since": text_of(1)}, {"until": text_of(-1)}])
def test_a_shift_on_the_wrong_side_of_now_is_refused(service, query):
    answer = service.get("/handover", **query)
    assert answer.status_code == 422
    assert answer.json()["code"] == "input"


def test_the_sheet_has_the_same_sections_and_room_to_sign(service):
    answer = service.get("/sheets/handover")
    assert answer.headers["Content-Type"] == "application/pdf"
    reader = PdfReader(io.BytesIO(answer.content))
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for each in (
        "Open",
        "Decisions in the next shift",
        "Routine in the next shift",
        "Known",
        "Changed",
    ):
        assert each in text
    assert "Handed over by" in text
