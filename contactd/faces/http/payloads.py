"""Answers that are made once per state of the service, kept compressed, and known by ETag.

The snapshot is new at each beat, its parts mostly are not. A body is made again only when a part
that it may rest on has changed, so that twenty open pages cost no more than one.
"""

from __future__ import annotations

import gzip
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import Request, Response

from contactd.core.outlook import Snapshot
from contactd.faces.http.view import View
from contactd.faces.plain_text import json_text

MOST_BYTES = 48_000_000
MOST_PAST = 4
COMPRESSED_FROM_BYTES = 1_000
COMPRESSION = 5


@dataclass(frozen=True, slots=True)
class Body:
    """A body, ready to send. ``packed`` is None where compressing does not pay."""

    plain: bytes
    packed: bytes | None
    etag: str
    headers: Mapping[str, str]

    @property
    def size(self) -> int:
        """Bytes that it takes in memory."""
        return len(self.plain) + len(self.packed or b"")


class Payloads:
    """Bodies by key, for the present version of the snapshot and a few past ones."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._lock = threading.RLock()
        self._seen: Snapshot | None = None
        self._version = 0
        self._bodies: OrderedDict[Hashable, Body] = OrderedDict()
        self._bytes = 0
        self._past: OrderedDict[float, Snapshot] = OrderedDict()

    def present(self) -> tuple[int, Snapshot]:
        """The version of the present snapshot, and the snapshot.

        The version grows with each change that is more than the beat's own moment.
        """
        snapshot = self._view.snapshot()
        with self._lock:
            if self._seen is None or not _alike(self._seen, snapshot):
                self._version += 1
                self._bodies.clear()
                self._past.clear()
                self._bytes = 0
            self._seen = snapshot
            return self._version, snapshot

    def past(self, instant: float) -> Snapshot:
        """The snapshot as known at an instant; the last few are kept."""
        version, _ = self.present()
        with self._lock:
            if instant in self._past:
                self._past.move_to_end(instant)
                return self._past[instant]
        snapshot = self._view.known_at(instant)
        with self._lock:
            if version == self._version:
                self._past[instant] = snapshot
                while len(self._past) > MOST_PAST:
                    self._past.popitem(last=False)
        return snapshot

    def answer(
        self,
        request: Request,
        make: Callable[[], Any],
        *key: Hashable,
        headers: Callable[[Any], Mapping[str, str]] | None = None,
    ) -> Response:
        """The answer to a request for a document, 304 where the asker has it already.

        Args:
            make: makes the document (JSON values), or its bytes as JSON; called when it is not
                kept.
            key: what the document depends on beside the present snapshot: all of the query.
            headers: makes more headers from the document.
        """
        version, _ = self.present()
        place = (request.url.path, *key)
        with self._lock:
            body = self._bodies.get(place)
            if body is not None:
                self._bodies.move_to_end(place)
        if body is None:
            document = make()
            body = _body(document, headers(document) if headers else {})
            self._keep(version, place, body)
        return respond(request, body)

    def _keep(self, version: int, place: Hashable, body: Body) -> None:
        with self._lock:
            if version != self._version or place in self._bodies or body.size > MOST_BYTES:
                return
            self._bodies[place] = body
            self._bytes += body.size
            while self._bytes > MOST_BYTES:
                self._bytes -= self._bodies.popitem(last=False)[1].size


def document(request: Request, content: Any, headers: Mapping[str, str] | None = None) -> Response:
    """The answer to a request for a document that is not worth keeping."""
    return respond(request, _body(content, headers or {}))


def respond(request: Request, body: Body) -> Response:
    """Send a body, or 304 where the asker has it already."""
    headers = {
        "ETag": body.etag,
        "Cache-Control": "private, no-cache",
        "Vary": "Accept-Encoding, Cookie, Authorization",
        **body.headers,
    }
    asked = request.headers.get("if-none-match", "")
    if asked == "*" or body.etag in [each.strip() for each in asked.split(",")]:
        return Response(status_code=304, headers=headers)
    if body.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
        headers["Content-Encoding"] = "gzip"
        return Response(body.packed, media_type="application/json", headers=headers)
    return Response(body.plain, media_type="application/json", headers=headers)


def _body(content: Any, headers: Mapping[str, str]) -> Body:
    plain = content if isinstance(content, bytes) else as_json(content)
    packed = None
    if len(plain) >= COMPRESSED_FROM_BYTES:
        packed = gzip.compress(plain, COMPRESSION, mtime=0)
    # Weak, since the same document is sent plain and compressed (RFC 9110, 8.8.1).
    etag = f'W/"{hashlib.sha256(plain).hexdigest()[:24]}"'
    return Body(plain, packed, etag, dict(headers))


def as_json(content: Any) -> bytes:
    """Compact JSON; a figure that JSON cannot say is a programmer's error."""
    return json_text(content).encode()


def _alike(before: Snapshot, after: Snapshot) -> bool:
    """Whether two snapshots show the same, their own moments and the planning's aside."""
    if before is after:
        return True
    if len(before.targets) != len(after.targets):
        return False
    return (
        before.ledger_at == after.ledger_at
        and before.ledger_trouble == after.ledger_trouble
        and (before.planned_at is None) == (after.planned_at is None)
        and all(after.targets.get(name) is each for name, each in before.targets.items())
        and (before.stations is after.stations or before.stations == after.stations)
        and before.configuration == after.configuration
        and before.clock.trusted == after.clock.trusted
        and before.clock.why == after.clock.why
        and (before.alerts is after.alerts or before.alerts == after.alerts)
    )
