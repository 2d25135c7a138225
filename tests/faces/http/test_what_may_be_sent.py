"""What a request may hold, and what answers show of what was sent, asked of the real service."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.process

TURNED = "quiet\u202enight\x9b2J"
"""Text with a mark that turns the reading direction and a C1 control (CSI)."""


def numbers(document: dict) -> list[tuple[str, dict]]:
    """Each numeric parameter of the description, with its schema."""
    found = []
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            for each in operation.get("parameters", ()):
                schema = each["schema"]
                forms = schema.get("anyOf", [schema])
                found += [
                    (f"{method} {path} {each['name']}", form)
                    for form in forms
                    if form.get("type") in ("integer", "number")
                ]
    return found


def test_every_number_of_the_interface_is_bounded(service):
    found = numbers(service.json("/openapi.json"))
    assert len(found) >= 5
    for name, form in found:
        assert {"minimum", "exclusiveMinimum"} & set(form), name
        assert {"maximum", "exclusiveMaximum"} & set(form), name


@pytest.mark.parametrize("number", ["-10940265820892928000", "0", "1" * 40, "9007199254740992"])
def test_a_number_that_no_record_can_have_is_refused(service, number):
    assert service.get(f"/records/{number}").status_code == 422


def test_head_is_answered_wherever_get_is(service):
    for path in ("/api/v1/now", "/api/v1/records", "/metrics", "/", "/health/live"):
        whole, head = service.http.get(path), service.http.head(path)
        assert head.status_code == whole.status_code == 200, path
        assert head.content == b""
        assert head.headers["content-type"] == whole.headers["content-type"]
    assert service.http.head("/api/v1/changes").headers["content-type"].startswith("text/event")
    assert service.http.head("/api/v1/nothing").status_code == 404


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (
            '{"enter": "remark", "target": "Thistle", "text": "a", "text": "b"}',
            "key 'text' twice",
        ),
        ('{"enter": "remark", "target": "Thistle", "text": ' + "[" * 30_000, "nested too deep"),
        ('{"enter": "remark", "note": {"a": 1, "a": 2}}', "key 'a' twice"),
        ('{"enter": "remark", "x": NaN}', "found NaN; expected a number"),
        ('{"enter": "remark"', "line 1, column 19"),
        (b'{"enter": "\xff"}', "utf-8"),
    ],
)
def test_a_body_that_can_be_read_in_two_ways_is_refused(service, body, says):
    answer = service.http.post(
        "/api/v1/records",
        content=body,
        headers={
            "Authorization": f"Bearer {service.room.operator}",
            "Content-Type": "application/json",
        },
    )
    assert answer.status_code == 400
    assert answer.json()["code"] == "input"
    assert says in answer.json()["detail"]


def test_marks_that_nobody_sees_are_escaped_in_json(service):
    entry = {"enter": "remark", "target": "Thistle", "text": TURNED}
    written = service.operate("/records", entry)["record"]
    answer = service.get(f"/records/{written['number']}")
    assert answer.json()["body"]["text"] == TURNED
    for mark in "\u202e\x9b":
        assert mark not in answer.text
    assert "\\u202e" in answer.text


def test_the_same_key_for_another_entry_is_refused(service):
    key = {"Idempotency-Key": "read-at-the-second-pass"}
    first = {"enter": "remark", "target": "Thistle", "text": "first"}
    other = {**first, "text": "other"}
    written = service.operate("/records", first, headers=key)
    again = service.operate("/records", first, headers=key)
    assert again["record"]["number"] == written["record"]["number"]
    refused = service.post("/records", other, service.room.operator, headers=key)
    assert (refused.status_code, refused.json()["code"]) == (409, "key-used")
