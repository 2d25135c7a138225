"""How a record is written as bytes, and how each is chained to the one before.

The digest of a record is the SHA-256 of the canonical JSON (RFC 8785) of::

    {"at", "author", "before", "body", "identity", "kind", "number", "subject"}

where ``before`` is the digest of the record before it, in lower-case hexadecimal, or 64 zeros for
record 1. Whoever has the records can check them with any RFC 8785 and SHA-256 implementation. The
chain shows every change, insertion and removal inside it; that its end was cut off shows only
against a digest that was noted elsewhere.

Source: RFC 8785 (JSON Canonicalization Scheme); FIPS 180-4 (SHA-256).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import rfc8785

from contactd.core.errors import LedgerError
from contactd.core.record import Record

NO_DIGEST = "0" * 64
MOST_BODY_BYTES = 1_048_576
MOST_TEXT_LENGTH = 500
MOST_BODY_DEPTH = 32
_FIRST_INEXACT = 2**53


class BrokenHistory(LedgerError):
    """A record, or an archive, is not what was stored: the history cannot be read past it."""


def body_text(body: Mapping[str, Any]) -> str:
    """Canonical JSON of a record's body.

    Raises:
        LedgerError: if it holds anything but JSON values, is nested deeper than
            ``MOST_BODY_DEPTH`` or takes more than ``MOST_BODY_BYTES``.
    """
    try:
        written = rfc8785.dumps(_plain(body, MOST_BODY_DEPTH))
    except (rfc8785.CanonicalizationError, TypeError) as error:
        raise LedgerError(f"a record's body cannot be written as JSON: {error}") from None
    if len(written) > MOST_BODY_BYTES:
        raise LedgerError(
            f"a record's body takes {len(written)} bytes; at most {MOST_BODY_BYTES} are kept"
        )
    return written.decode("utf-8")


def read_body(text: str) -> dict[str, Any]:
    """The body that a canonical text says.

    Raises:
        ValueError: if the text is no JSON object.
    """
    body = json.loads(text, parse_int=_integer)
    if not isinstance(body, dict):
        raise ValueError("a stored body is an object")
    return body


def _integer(digits: str) -> int | float:
    """RFC 8785 writes large floats as digits; past 2**53 only a float can have been meant."""
    value = int(digits)
    return value if abs(value) < _FIRST_INEXACT else float(digits)


def digest(record: Record, body: str, before: str) -> str:
    """Digest of a numbered record whose body is already canonical text."""
    return hashlib.sha256(_envelope(record, body, before)).hexdigest()


def line(record: Record, body: str, before: str, own: str) -> bytes:
    """The record as one line of an archive: the envelope that the digest is of, and the digest."""
    return _envelope(record, body, before, own)


@dataclass(frozen=True, slots=True)
class Link:
    """A record as it is chained: its body as canonical text, its digest and the one before."""

    record: Record
    body: str
    before: str
    digest: str

    @property
    def is_genuine(self) -> bool:
        """Whether the digest is that of the record."""
        return digest(self.record, self.body, self.before) == self.digest


def read_line(text: bytes) -> Link:
    """The record that a line of an archive says.

    Raises:
        ValueError: if it is no such line.
    """
    try:
        fields = json.loads(text, parse_int=_integer)
        body = fields["body"]
        if not isinstance(body, dict):
            raise ValueError("a stored body is an object")
        record = Record(
            at=float(fields["at"]),
            kind=str(fields["kind"]),
            subject=str(fields["subject"]),
            author=str(fields["author"]),
            body=body,
            identity=str(fields["identity"]),
            number=int(fields["number"]),
        )
        return Link(record, body_text(body), str(fields["before"]), str(fields["digest"]))
    except (KeyError, TypeError, LedgerError) as error:
        raise ValueError(f"no record: {error}") from error


def _envelope(record: Record, body: str, before: str, own: str = "") -> bytes:
    envelope = rfc8785.dumps(
        {
            "at": float(record.at),
            "author": record.author,
            "before": before,
            "body": 0,
            "identity": record.identity,
            "kind": record.kind,
            "number": record.number,
            "subject": record.subject,
            **({"digest": own} if own else {}),
        }
    )
    # The keys are in canonical order, so that the body's text can be put in its place: what ends
    # with a quotation mark before it is hexadecimal, and inside texts quotation marks are escaped.
    head, mark, tail = envelope.partition(b'","body":0,"')
    assert mark, "the envelope has its known shape"
    return head + b'","body":' + body.encode("utf-8") + b',"' + tail


def check_texts(record: Record) -> None:
    """Refuse names that no ledger could keep.

    Raises:
        LedgerError: for an empty kind, over-long text, control characters or lone surrogates.
    """
    if not record.kind:
        raise LedgerError("a record has no kind")
    for key in ("kind", "subject", "author", "identity"):
        text = getattr(record, key)
        if len(text) > MOST_TEXT_LENGTH:
            raise LedgerError(
                f"a record's {key} has {len(text)} characters; at most {MOST_TEXT_LENGTH} are kept"
            )
        if any(ord(letter) < 32 or 0xD800 <= ord(letter) <= 0xDFFF for letter in text):
            raise LedgerError(f"a record's {key} holds a character that is not text: {text!r}")
    if not -1e12 < record.at < 1e12:
        raise LedgerError(f"a record's instant is {record.at}; a time near the present is expected")


def refusal(record: Record) -> str:
    """Why no ledger would store a record, or "" where one would."""
    try:
        check_texts(record)
        body_text(record.body)
    except LedgerError as error:
        return str(error)
    return ""


def _plain(value: Any, depth: int) -> Any:
    """The value with mappings as dicts and sequences as lists."""
    if depth < 0:
        raise LedgerError(f"a record's body is nested deeper than {MOST_BODY_DEPTH} levels")
    if isinstance(value, Mapping):
        for key in value:
            if not isinstance(key, str):
                raise LedgerError(f"a record's body has the key {key!r}; text is expected")
        return {key: _plain(inner, depth - 1) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner, depth - 1) for inner in value]
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise LedgerError(f"a record's body holds {value!r}; only JSON values are kept")
