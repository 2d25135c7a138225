"""The canonical form of a record and its digest, against RFC 8785 and by hand."""

import hashlib
import json

import pytest

from contactd.core.errors import LedgerError
from contactd.core.record import Record
from contactd.records.chain import MOST_BODY_BYTES, NO_DIGEST, body_text, check_texts, digest


def test_the_worked_example_of_rfc_8785_comes_out_byte_for_byte():
    # Source: RFC 8785 section 3.2.2 (input) and 3.2.4 (expected bytes).
    given = json.loads(
        r"""{
        "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
        "literals": [null, true, false]
    }"""
    )
    expected = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert body_text(given) == expected


def test_keys_are_sorted_by_utf_16_units():
    # Source: RFC 8785 section 3.2.3.
    given = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    assert list(json.loads(body_text(given)).values()) == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


def test_the_digest_is_the_plain_sha_256_of_the_canonical_envelope():
    record = Record(
        at=12.5, kind="remark", subject='A "quoted" sat', author="Ada", identity="x", number=1
    )
    body = body_text({"text": "hello", "b": 1.0})
    envelope = (
        '{"at":12.5,"author":"Ada","before":"' + NO_DIGEST + '","body":{"b":1,"text":"hello"},'
        '"identity":"x","kind":"remark","number":1,"subject":"A \\"quoted\\" sat"}'
    )
    assert digest(record, body, NO_DIGEST) == hashlib.sha256(envelope.encode()).hexdigest()


def test_an_author_cannot_forge_the_envelope():
    body = body_text({})
    honest = Record(at=1.0, kind="k", subject="s", author="a", number=1)
    forged = Record(at=1.0, kind="k", subject="s", author='a","body":0,"identity":"', number=1)
    assert digest(honest, body, NO_DIGEST) != digest(forged, body, NO_DIGEST)


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"a": float("nan")}, "cannot be written as JSON"),
        ({"a": float("inf")}, "cannot be written as JSON"),
        ({"a": 2**60}, "cannot be written as JSON"),
        ({"a": "\ud800"}, "cannot be written as JSON"),
        ({1: "a"}, "text is expected"),
        ({"a": object()}, "only JSON values"),
        ({"a": "x" * MOST_BODY_BYTES}, "at most 1048576 are kept"),
    ],
)
def test_what_is_no_json_or_too_large_is_refused(body, says):
    with pytest.raises(LedgerError, match=says):
        body_text(body)


def test_a_body_nested_without_end_is_refused():
    body: dict = {}
    body["self"] = body
    with pytest.raises(LedgerError, match="nested deeper"):
        body_text(body)


@pytest.mark.parametrize("text", ["a\x00b", "line\nbreak", "\ud800", "x" * 501])
def test_names_that_no_database_keeps_are_refused(text):
    with pytest.raises(LedgerError):
        check_texts(Record(at=0.0, kind="remark", subject=text, author="a"))


@pytest.mark.parametrize("at", [float("nan"), float("inf"), 1e13])
def test_an_instant_that_is_none_is_refused(at):
    with pytest.raises(LedgerError, match="instant"):
        check_texts(Record(at=at, kind="remark", subject="", author="a"))
