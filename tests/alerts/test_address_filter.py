"""Which addresses a configured URL may lead to."""

import ipaddress
import ssl
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
import trustme

from contactd.alerts.address_filter import AddressRefused, Guard, is_public
from contactd.alerts.channels.webhook import WebhookChannel
from contactd.core.errors import DeliveryError

PUBLIC_ONLY = Guard(public_only=True)


@pytest.mark.parametrize(
    "address",
    [
        # Source: IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890 and successors).
        "127.0.0.1", "127.8.9.1", "0.0.0.0", "10.1.2.3", "172.16.0.1", "172.31.255.255",
        "192.168.1.1", "169.254.169.254", "100.64.0.1", "192.0.2.1", "198.18.0.1", "198.51.100.1",
        "203.0.113.9", "224.0.0.1", "239.1.1.1", "240.0.0.1", "255.255.255.255",
        "::", "::1", "fe80::1", "fc00::1", "fd12:3456::1", "ff02::1", "2001:db8::1",
        # An IPv4 address inside an IPv6 one.
        "::ffff:127.0.0.1", "::ffff:10.0.0.1", "2002:7f00:1::", "2002:a00:1::",
        "64:ff9b::127.0.0.1", "64:ff9b::a00:1", "2001:0:4136:e378:8000:63bf:f5ff:fffe",
    ],
)  # fmt: skip
def test_what_is_not_publicly_routed_is_not_public(address):
    assert not is_public(ipaddress.ip_address(address))


@pytest.mark.parametrize(
    "address", ["8.8.8.8", "1.1.1.1", "2606:4700::1111", "64:ff9b::8.8.8.8", "::ffff:8.8.8.8"]
)
def test_what_is_publicly_routed_is_public(address):
    assert is_public(ipaddress.ip_address(address))


@pytest.mark.parametrize(
    "host", ["localhost", "127.0.0.1", "127.1", "2130706433", "0x7f.1", "::1", "0"]
)
async def test_however_the_machine_itself_is_written_it_is_refused(host):
    with pytest.raises(AddressRefused, match="not a public address"):
        await PUBLIC_ONLY.addresses(host, 80)


async def test_without_the_guard_everything_is_let_through():
    assert "127.0.0.1" in await Guard().addresses("127.0.0.1", 80)


async def test_a_host_that_is_named_is_let_through():
    guard = Guard(public_only=True, allowed_hosts=frozenset({"localhost"}))
    assert await guard.addresses("localhost", 80)


async def test_a_guarded_webhook_refuses_the_machine_itself_and_is_not_tried_again(
    receiver, letters
):
    channel = WebhookChannel("hook", receiver.url, guard=PUBLIC_ONLY)
    with pytest.raises(DeliveryError, match="not a public address") as caught:
        await channel.send(letters.notification())
    await channel.close()
    assert not caught.value.worth_retrying
    assert not receiver.requests


async def test_a_guarded_webhook_reaches_what_is_allowed_under_its_own_name(receiver, letters):
    guard = Guard(public_only=True, allowed_hosts=frozenset({"localhost"}))
    url = receiver.url.replace("127.0.0.1", "localhost")
    channel = WebhookChannel("hook", url, guard=guard)
    await channel.send(letters.notification())
    await channel.close()
    port = url.split(":")[2].split("/")[0]
    assert receiver.requests[0].headers["Host"] == f"localhost:{port}"


async def test_a_name_that_does_not_resolve_is_worth_another_try(letters):
    channel = WebhookChannel("hook", "http://nowhere.invalid/", guard=PUBLIC_ONLY)
    with pytest.raises(DeliveryError) as caught:
        await channel.send(letters.notification())
    await channel.close()
    assert caught.value.worth_retrying


@pytest.fixture
def authority():
    return trustme.CA()


@pytest.fixture
def https(authority):
    """A real HTTPS server on loopback with a certificate for localhost only."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["content-length"]))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, *_: object) -> None:
            pass

    server = Server(("127.0.0.1", 0), Handler)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(context)
    server.socket = context.wrap_socket(
        server.socket, server_side=True, do_handshake_on_connect=False
    )
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    yield server.server_port
    server.shutdown()
    server.server_close()
    thread.join()


def trusting(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


@pytest.mark.parametrize("guard", [None, Guard(True, frozenset({"localhost"}))])
async def test_certificates_are_checked_against_the_name_in_the_url(
    https, authority, letters, guard
):
    good = WebhookChannel(
        "hook", f"https://localhost:{https}/", guard=guard, verify=trusting(authority)
    )
    await good.send(letters.notification())
    await good.close()
    stranger = WebhookChannel("hook", f"https://localhost:{https}/", guard=guard)
    with pytest.raises(DeliveryError, match=r"(?i)certificate"):
        await stranger.send(letters.notification())
    await stranger.close()


async def test_a_certificate_for_another_name_is_refused(https, authority, letters):
    guard = Guard(True, frozenset({"127.0.0.1"}))
    channel = WebhookChannel(
        "hook", f"https://127.0.0.1:{https}/", guard=guard, verify=trusting(authority)
    )
    with pytest.raises(DeliveryError, match=r"(?i)certificate"):
        await channel.send(letters.notification())
    await channel.close()
