"""Fetching elements from a real HTTP server on loopback."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import httpx
import pytest

from contactd.alerts.address_filter import Guard, guarded_transport
from contactd.service.feeds import Feed, FeedTerms, Outcome

# An invented satellite; checksums by the rule of the format.
TLE = (
    "LANTERN 3\n"
    "1 90003U 24900A   24069.00000000  .00000000  00000-0  30000-4 0    19\n"
    "2 90003  98.5568 120.0000 0011000  70.0000 290.0000 14.30818609    19\n"
)


@dataclass
class Script:
    """What the server answers next, and what it was asked."""

    answer: Callable[[BaseHTTPRequestHandler], None]
    asked: list[dict[str, str]] = field(default_factory=list)


@pytest.fixture
def server() -> Iterator[tuple[str, Script]]:
    script = Script(lambda handler: reply(handler, 200, TLE))

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            script.asked.append({key.lower(): value for key, value in self.headers.items()})
            script.answer(self)

        def log_message(self, *_: object) -> None:
            pass

    listener = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=listener.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{listener.server_port}/elements", script
    listener.shutdown()
    listener.server_close()
    thread.join()


def reply(handler: BaseHTTPRequestHandler, status: int, text: str = "", **headers: str) -> None:
    body = text.encode()
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name.replace("_", "-"), value)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body)


def feed(url: str, **changes: object) -> Feed:
    terms = {
        "target": "Lantern 3",
        "url": url,
        "least_interval_s": 3600.0,
        "timeout_s": 0.5,
        "size_limit_bytes": 10_000,
    }
    return Feed(FeedTerms(**{**terms, **changes}))  # type: ignore[arg-type]


async def test_elements_are_fetched_and_not_asked_for_again_too_soon(
    server: tuple[str, Script],
) -> None:
    url, _ = server
    under_test = feed(url)
    async with httpx.AsyncClient() as client:
        fetched = await under_test.fetch(client, 100.0)
    assert fetched.outcome is Outcome.NEW
    assert [each.catalogue_number for each in fetched.elements] == [90003]
    assert fetched.text == TLE
    assert not under_test.is_due(3699.0)
    assert under_test.is_due(3700.0)


async def test_the_second_request_is_conditional(server: tuple[str, Script]) -> None:
    url, script = server
    dated = "Wed, 25 Nov 2026 10:00:00 GMT"
    script.answer = lambda h: reply(h, 200, TLE, ETag='"a1"', Last_Modified=dated)
    under_test = feed(url)
    async with httpx.AsyncClient() as client:
        await under_test.fetch(client, 0.0)
        script.answer = lambda h: reply(h, 304)
        second = await under_test.fetch(client, 3600.0)
    assert second.outcome is Outcome.UNCHANGED
    assert script.asked[1]["if-none-match"] == '"a1"'
    assert script.asked[1]["if-modified-since"] == dated


async def test_the_same_text_again_is_no_news(server: tuple[str, Script]) -> None:
    url, _ = server
    under_test = feed(url)
    async with httpx.AsyncClient() as client:
        await under_test.fetch(client, 0.0)
        again = await under_test.fetch(client, 3600.0)
    assert again.outcome is Outcome.UNCHANGED


async def test_failures_back_off_twice_as_long_each_time(server: tuple[str, Script]) -> None:
    url, script = server
    script.answer = lambda h: reply(h, 500)
    under_test = feed(url, least_interval_s=100.0)
    pauses = []
    async with httpx.AsyncClient() as client:
        for _ in range(5):
            fetched = await under_test.fetch(client, 0.0)
            assert fetched.outcome is Outcome.FAILED
            assert "500" in fetched.reason
            pauses.append(under_test.next_at)
    for count, pause in enumerate(pauses):
        assert 100.0 * 2**count <= pause <= 110.0 * 2**count


@pytest.mark.parametrize("as_date", [False, True])
async def test_a_server_that_asks_for_patience_gets_it(
    server: tuple[str, Script], as_date: bool
) -> None:
    # Source: RFC 9110 section 10.2.3: delay-seconds, or an HTTP-date.
    url, script = server

    def busy(handler: BaseHTTPRequestHandler) -> None:
        later = handler.date_time_string(time.time() + 7200)
        reply(handler, 429, Retry_After=later if as_date else "7200")

    script.answer = busy
    under_test = feed(url, least_interval_s=100.0)
    async with httpx.AsyncClient() as client:
        await under_test.fetch(client, 0.0)
    assert under_test.next_at == pytest.approx(7200.0, abs=60.0)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        (TLE.replace("14.30818609    19", "14.30818609    16"), "checksum"),
        ("<html>not found</html>", "expected"),
        ("x" * 10_001, "more than 10000 bytes"),
        ("", "expected"),
    ],
)
async def test_what_cannot_be_used_is_refused_with_a_reason(
    server: tuple[str, Script], text: str, complaint: str
) -> None:
    url, script = server
    script.answer = lambda h: reply(h, 200, text)
    async with httpx.AsyncClient() as client:
        fetched = await feed(url).fetch(client, 0.0)
    assert fetched.outcome is Outcome.REFUSED
    assert complaint in fetched.reason


async def test_a_server_that_is_not_there_or_hangs_is_a_failure(
    server: tuple[str, Script],
) -> None:
    url, script = server
    release = threading.Event()
    script.answer = lambda _: release.wait(5.0) and None
    async with httpx.AsyncClient() as client:
        hung = await feed(url, timeout_s=0.2).fetch(client, 0.0)
        release.set()
        absent = await feed("http://127.0.0.1:9/elements").fetch(client, 0.0)
    assert hung.outcome is Outcome.FAILED
    assert absent.outcome is Outcome.FAILED
    assert hung.reason
    assert absent.reason


async def test_the_wanted_object_is_picked_out_of_many(server: tuple[str, Script]) -> None:
    url, script = server
    other = (
        "1 90001U 24900A   24069.00000000  .00000000  00000-0  20000-4 0    16\n"
        "2 90001  90.0000  40.0000 0012000  90.0000  10.0000 14.57889791    18\n"
    )
    script.answer = lambda h: reply(h, 200, TLE + other)
    async with httpx.AsyncClient() as client:
        unsure = await feed(url).fetch(client, 0.0)
        sure = await feed(url, catalogue_number=90001).fetch(client, 0.0)
    assert unsure.outcome is Outcome.REFUSED
    assert "catalogue_number" in unsure.reason
    assert [each.catalogue_number for each in sure.elements] == [90001]


async def test_where_only_public_addresses_are_wanted_the_machine_itself_is_refused(
    server: tuple[str, Script],
) -> None:
    url, script = server
    transport = guarded_transport(Guard(public_only=True))
    async with httpx.AsyncClient(transport=transport) as client:
        fetched = await feed(url).fetch(client, 0.0)
    assert fetched.outcome is Outcome.FAILED
    assert "not a public address" in fetched.reason
    assert script.asked == []
