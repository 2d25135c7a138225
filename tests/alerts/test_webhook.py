"""The webhook against real HTTP servers: what it sends, and what it makes of each answer."""

import asyncio
import socket
import threading

import pytest

from contactd.alerts.channels.webhook import WebhookChannel, signature
from contactd.alerts.http_post import MOST_ANSWER_BYTES
from contactd.alerts.notification import About, ChannelBusy, Notification
from contactd.core.alert import Alert, Severity
from contactd.core.errors import DeliveryError
from contactd.core.instants import from_text

NOW = from_text("2026-12-03T12:00:00Z")
ALERT = Alert(
    identity="step-uncovered-0123",
    kind="step-uncovered",
    severity=Severity.WARNING,
    target="Lantern 3",
    subject="Lantern 3/wake-up/antenna release",
    what="antenna release of Lantern 3 runs out with no station in view.",
    do="Stop it by 12:10:00Z through Norrsund.",
    due=NOW - 1,
    moment=NOW + 3000,
    over_at=NOW + 3060,
    facts={"margin_s": -720.0},
)
MESSAGE = Notification(
    key=ALERT.identity,
    channel="hook",
    about=About.RAISED,
    alerts=(ALERT,),
    parts=(ALERT.identity,),
    since=NOW - 1,
    links={ALERT.identity: "https://watch.example/a/1"},
    at=NOW,
)


async def send(url: str, **more) -> None:
    channel = WebhookChannel("hook", url, **({"timeout_s": 2.0} | more))
    try:
        await channel.send(MESSAGE)
    finally:
        await channel.close()


async def test_the_body_says_everything_and_the_headers_carry_key_and_signature(receiver):
    await send(receiver.url, secret=b"a secret of some length")
    (request,) = receiver.requests
    assert request.headers["Content-Type"] == "application/json"
    assert request.headers["Idempotency-Key"] == "step-uncovered-0123"
    assert request.headers["Contactd-Signature"] == signature(
        b"a secret of some length", request.body
    )
    assert request.json == {
        "message": "step-uncovered-0123",
        "about": "raised",
        "sent_at": "2026-12-03T12:00:00.000Z",
        "severity": "warning",
        "remark": "",
        "alerts": [
            {
                "identity": "step-uncovered-0123",
                "kind": "step-uncovered",
                "severity": "warning",
                "target": "Lantern 3",
                "subject": "Lantern 3/wake-up/antenna release",
                "what": ALERT.what,
                "when": "2026-12-03 12:50:00Z, in 50 min",
                "do": ALERT.do,
                "notice": ALERT.notice,
                "due": "2026-12-03T11:59:59.000Z",
                "moment": "2026-12-03T12:50:00.000Z",
                "over_at": "2026-12-03T12:51:00.000000Z",
                "decide_by": None,
                "changed": "",
                "late": False,
                "facts": {"margin_s": -720.0},
                "acknowledge": "https://watch.example/a/1",
                "runbook": None,
            }
        ],
    }


async def test_without_a_secret_nothing_is_signed(receiver):
    await send(receiver.url)
    assert "Contactd-Signature" not in receiver.requests[0].headers


@pytest.mark.parametrize("status", [200, 201, 202, 204])
async def test_any_2xx_accepts(receiver, status):
    receiver.answers = [status]
    await send(receiver.url)


@pytest.mark.parametrize(
    ("status", "again"),
    [
        (500, True), (502, True), (503, True), (504, True), (408, True), (425, True), (429, True),
        (400, False), (413, False), (401, True), (403, True), (404, True), (301, True), (302, True),
        (307, True),
    ],
)  # fmt: skip
async def test_a_refusal_says_whether_trying_again_is_worth_it(receiver, status, again):
    receiver.answers = [status]
    with pytest.raises(DeliveryError, match=f"answered {status}") as caught:
        await send(receiver.url)
    assert caught.value.worth_retrying is again


async def test_a_proxy_in_the_environment_is_not_used(receiver, monkeypatch):
    for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    await send(receiver.url)
    assert len(receiver.requests) == 1


async def test_a_redirect_is_not_followed(receiver):
    receiver.answers = [(307, {"Location": receiver.url}), 200]
    with pytest.raises(DeliveryError, match="redirects are not followed"):
        await send(receiver.url)
    assert len(receiver.requests) == 1


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("7", 7.0),
        ("Thu, 03 Dec 2026 12:00:30 GMT", 30.0),
        ("Thu, 03 Dec 2026 11:00:00 GMT", 0.0),
    ],
)
async def test_the_patience_that_a_busy_receiver_asks_for_is_understood(receiver, text, seconds):
    # Source: RFC 9110 section 10.2.3: delay-seconds, or an HTTP-date.
    receiver.answers = [(429, {"Retry-After": text})]
    with pytest.raises(ChannelBusy) as caught:
        await send(receiver.url)
    assert caught.value.again_after_s == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["soon", "", "-5", "1e9", "٣"])
async def test_patience_asked_for_in_riddles_is_an_ordinary_retry(receiver, text):
    receiver.answers = [(503, {"Retry-After": text.encode().decode("latin-1")})]
    with pytest.raises(DeliveryError) as caught:
        await send(receiver.url)
    assert not isinstance(caught.value, ChannelBusy)
    assert caught.value.worth_retrying


async def test_nobody_at_home_is_worth_another_try():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(DeliveryError) as caught:
        await send(f"http://127.0.0.1:{port}/")
    assert caught.value.worth_retrying


async def test_a_receiver_that_never_answers_is_left_after_the_timeout(receiver):
    hold = threading.Event()
    receiver.answers = [lambda handler: hold.wait(30)]
    with pytest.raises(DeliveryError) as caught:
        await send(receiver.url, timeout_s=0.2)
    hold.set()
    assert caught.value.worth_retrying


@pytest.mark.parametrize(
    "garbage", [b"\x00\xff\xfe", b"SMTP 220 hello\r\n", b"HTTP/1.1 abc\r\n\r\n"]
)
async def test_garbage_for_an_answer_is_worth_another_try(garbage):
    async def talk(reader, writer):
        await reader.read(100)
        writer.write(garbage)
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    with pytest.raises(DeliveryError) as caught:
        await send(f"http://127.0.0.1:{port}/")
    assert caught.value.worth_retrying
    server.close()


async def test_an_endless_answer_is_not_read_to_its_end(receiver):
    written = []

    def pour(handler):
        handler.send_response(200)
        handler.send_header("Content-Length", str(1 << 40))
        handler.end_headers()
        try:
            for _ in range(10_000):
                handler.wfile.write(b"x" * 65_536)
                written.append(65_536)
        except OSError:
            pass

    receiver.answers = [pour]
    await send(receiver.url)
    assert sum(written) < 100 * MOST_ANSWER_BYTES


@pytest.mark.parametrize("url", ["ftp://x/", "http://", "http://[::1", "gopher:x", "http:///x"])
async def test_a_url_that_cannot_be_used_is_not_tried_again(url):
    with pytest.raises(DeliveryError) as caught:
        await send(url)
    assert not caught.value.worth_retrying


async def test_a_channel_that_was_closed_can_be_used_again(receiver):
    channel = WebhookChannel("hook", receiver.url)
    await channel.send(MESSAGE)
    await channel.close()
    await channel.send(MESSAGE)
    await channel.close()
    assert len(receiver.requests) == 2
