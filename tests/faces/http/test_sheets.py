"""Sheets on paper: what a reader of the PDF finds on them."""

import io

import pytest
from pypdf import PdfReader
from watch_room import SCRIPT_NAME

pytestmark = pytest.mark.process


def words(answer):
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Type"] == "application/pdf"
    reader = PdfReader(io.BytesIO(answer.content))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def test_the_sequence_sheet_says_when_each_step_expires_and_when_to_keep_clear(service):
    query = {"target": "Lantern 3", "sequence": "wake-up"}
    text = words(service.get("/sheets/sequence", **query))
    steps = [each for each in service.json("/forecast") if each["target"] == "Lantern 3"]
    for step in steps:
        assert step["step"] in text
        assert step["nominal"][11:17] in text
    release = next(each for each in steps if each["step"] == "antenna release")
    assert release["keep_clear"]["from"][11:17] in text
    assert "Flight rules, range safety and the responsible authority decide" in text
    assert "does not certify safety" in text


def test_the_contact_sheet_has_pointing_windows_and_its_date(service):
    contact = next(
        each
        for each in service.json("/contacts", target="Lantern 3", limit=200)
        if each["max_elevation_deg"] > 20 and not each["cut_at_start"]
    )
    query = {"target": "Lantern 3", "station": contact["station"], "at": contact["tca"]}
    text = words(service.get("/sheets/contact", **query, frequency_mhz=437))
    for each in ("AOS", "TCA", "LOS", "Doppler kHz, 437 MHz", "Acquired at (UTC)", "Command"):
        assert each in text
    assert f"az {contact['tca_azimuth_deg']:.0f}°" in text
    assert contact["aos"][:10] in text
    sky = service.json("/sky", **query)
    middle = len(sky["samples"]["unix_ms"]) // 2
    whole = [
        index for index, when in enumerate(sky["samples"]["unix_ms"]) if when % 60_000 == 0
    ] or [middle]
    assert f"{sky['samples']['elevation_deg'][whole[0]]:.1f}" in text


def test_a_sheet_for_what_there_is_not_is_a_problem(service):
    answer = service.get("/sheets/sequence", target="Lantern 3", sequence="wake up")
    assert answer.status_code == 404
    assert "wake-up" in answer.json()["detail"]


def test_a_name_that_is_markup_is_only_text_on_paper(service):
    contact = service.json("/contacts", target=SCRIPT_NAME, limit=1)[0]
    query = {"target": SCRIPT_NAME, "station": contact["station"], "at": contact["tca"]}
    answer = service.get("/sheets/contact", **query)
    assert "onerror=alert(1)" in words(answer)
    assert "<" not in answer.headers["Content-Disposition"]


def test_a_sheet_as_known_earlier_says_so(service):
    moment = service.json("/records", limit=1)[0]["at"]
    query = {"target": "Lantern 3", "sequence": "wake-up", "known_at": moment}
    assert f"{moment[11:19]}" in words(service.get("/sheets/sequence", **query))
