"""Real servers at the other end of contactd's messages: a webhook's, and a service manager's."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest


@dataclass(frozen=True)
class Received:
    """One request that arrived.

    Attributes:
        body: the JSON of it.
        headers: names in lower case.
        answer: status that was answered.
        at: when it had arrived, by the monotonic clock (s).
    """

    body: Any
    headers: dict[str, str]
    answer: int
    at: float = 0.0


@dataclass
class WebhookReceiver:
    """An HTTP server on loopback that answers as a test wants and remembers what came.

    Attributes:
        answer: status to answer with from now on.
        delay_s: how long to sit on each request before answering.
    """

    port: int = 0
    answer: int = 204
    delay_s: float = 0.0
    received: list[Received] = field(default_factory=list)
    _server: ThreadingHTTPServer | None = None

    def start(self) -> WebhookReceiver:
        """Listen, on the same port as before if there was one."""
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                raw = self.rfile.read(int(self.headers.get("content-length", 0)))
                answer, delay_s, at = outer.answer, outer.delay_s, time.monotonic()
                time.sleep(delay_s)
                headers = {name.lower(): value for name, value in self.headers.items()}
                outer.received.append(Received(json.loads(raw), headers, answer, at))
                try:
                    self.send_response(answer)
                    self.send_header("Content-Length", "0")
                    self.end_headers()
                except OSError:
                    return  # the sender has lost its patience, as it should

            def log_message(self, *_: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            def handle_error(self, *_: object) -> None:
                """A sender that is killed in mid-sentence is what the tests are about."""

        self._server = Server(("127.0.0.1", self.port), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def stop(self) -> None:
        """Stop listening: connections are refused from now on."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}/alerts"

    def accepted(self) -> list[Received]:
        """What it received and said yes to."""
        return [each for each in list(self.received) if each.answer < 300]


class ServiceManagerSocket:
    """The datagram socket of a service manager, as NOTIFY_SOCKET names it (sd_notify(3))."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.messages: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            try:
                data = self._socket.recv(4096)
            except OSError:
                return
            if not data:
                return
            self.messages += data.decode().split("\n")

    def count(self, message: str) -> int:
        """How often this assignment arrived."""
        return self.messages.count(message)

    def close(self) -> None:
        """Stop listening."""
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()


@pytest.fixture
def webhook() -> Iterator[WebhookReceiver]:
    """A receiver of alerts on loopback."""
    receiver = WebhookReceiver().start()
    yield receiver
    receiver.stop()
