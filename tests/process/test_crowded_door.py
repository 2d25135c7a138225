"""Many who connect, and say nothing or half of it, do not keep out whoever really asks."""

from __future__ import annotations

import contextlib
import socket
import time

import httpx
import pytest
from waiting import wait_for

from contactd.service.connections import HEAD_WITHIN_S, MOST_UNSPOKEN_OF_ONE

pytestmark = pytest.mark.process

HALF = b"GET /api/v1/now HTTP/1.1\r\nHost: 127.0.0.1\r\n"


def connected(port: int, says: bytes = b"") -> socket.socket:
    made = socket.create_connection(("127.0.0.1", port), timeout=30)
    made.sendall(says)
    return made


def ended(each: socket.socket) -> bool:
    """Whether the service has closed a connection."""
    each.setblocking(False)
    with contextlib.suppress(BlockingIOError):
        try:
            return each.recv(1) == b""
        except ConnectionError:
            return True
    return False


def test_half_sent_requests_do_not_shut_the_door_and_end(lay_scene, start_daemon):
    scene = lay_scene()
    scene.write_target("Quiet Lantern")
    start_daemon(scene)
    with contextlib.ExitStack() as stack:
        crowd = [stack.enter_context(connected(scene.port, HALF)) for _ in range(300)]
        with httpx.Client(base_url=f"http://127.0.0.1:{scene.port}", timeout=30) as client:
            for _ in range(20):
                assert client.get("/api/v1/now").status_code == 200
        # Of one address only so many stay, the youngest; those end at their deadline.
        wait_for(lambda: sum(map(ended, crowd)) >= 300 - MOST_UNSPOKEN_OF_ONE, "the oldest to end")
        silent = stack.enter_context(connected(scene.port))
        began = time.monotonic()
        wait_for(lambda: all(map(ended, [*crowd, silent])), "all of them to end")
        assert time.monotonic() - began > HEAD_WITHIN_S / 2


def test_a_slow_body_is_not_waited_for(lay_scene, start_daemon):
    scene = lay_scene()
    scene.write_target("Quiet Lantern")
    start_daemon(scene)
    head = b"POST /api/v1/session HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 40\r\n\r\n{"
    with connected(scene.port, head) as slow:
        slow.settimeout(60)
        assert slow.recv(200).startswith(b"HTTP/1.1 408 ")
