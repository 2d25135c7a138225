"""The real service over an invented watch room, as tests of the interface and the page ask it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from daemon import Daemon
from real_process import free_port
from watch_room import WatchRoom


class Service:
    """The running service, and ways to ask it as nobody, as a viewer and as an operator."""

    def __init__(self, room: WatchRoom, daemon: Daemon) -> None:
        self.room = room
        self.daemon = daemon
        self.base = f"http://127.0.0.1:{room.port}"
        self.http = httpx.Client(base_url=self.base, timeout=90)

    def get(self, path: str, **query: Any) -> httpx.Response:
        """An answer of the interface, to somebody without a token."""
        return self.http.get(f"/api/v1{path}", params=query or None)

    def json(self, path: str, **query: Any) -> Any:
        """A document of the interface."""
        answer = self.get(path, **query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, body: Any, token: str | None = None, **more: Any) -> httpx.Response:
        """An answer to a change, asked for with a token or without."""
        headers = {**more.pop("headers", {})}
        if token is not None:
            headers["Authorization"] = f"Bearer {token}"
        return self.http.post(f"/api/v1{path}", json=body, headers=headers, **more)

    def operate(self, path: str, body: Any, **more: Any) -> Any:
        """The document of a change by the operator, which must succeed."""
        answer = self.post(path, body, self.room.operator, **more)
        assert answer.status_code in (200, 201), answer.text
        return answer.json()


@pytest.fixture(scope="session")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """The service; tests that change it say of what they change that it is so, not that all is."""
    folder: Path = tmp_path_factory.mktemp("watch-room")
    room = WatchRoom(folder, free_port())
    daemon = Daemon(room)  # type: ignore[arg-type]
    try:
        daemon.begin()
        asked = Service(room, daemon)
        yield asked
        asked.http.close()
    finally:
        daemon.clean_up()
