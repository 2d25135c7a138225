"""The room in which a night is watched: the real service, its ledger on disk, and every face."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import httpx
from operators import Statement
from prometheus_client import CollectorRegistry
from truth import START, Truth
from world import CHANNELS, Receiver, WorldChannels, WorldClock, write

from contactd.config import load
from contactd.faces.cli import build
from contactd.faces.http import build_app
from contactd.faces.http.access import AccessRules
from contactd.faces.tokens import Role, new_token
from contactd.records.ledger import Ledger
from contactd.service.daemon import Daemon
from contactd.service.metrics import Instruments, SnapshotCollector
from contactd.service.store import Store
from contactd.service.surroundings import Surroundings
from contactd.service.view import DaemonView
from contactd.service.virtual_loop import Inline

SECRET, TOKEN = new_token("team", Role.OPERATOR)


class HandClock(WorldClock):
    """A clock that stands still until it is moved on; whoever sleeps wakes when it has passed."""

    def __init__(self) -> None:
        super().__init__()
        self._moved = asyncio.Condition()

    async def move_to(self, at: float) -> None:
        """Move on to an instant (s)."""
        async with self._moved:
            self.before_s = at - START
            self._moved.notify_all()

    async def sleep(self, seconds: float) -> None:
        until = self.monotonic() + seconds
        if seconds <= 0:
            await asyncio.sleep(0)
        async with self._moved:
            await self._moved.wait_for(lambda: self.monotonic() >= until)


class NoFiles:
    """The files of a night do not change."""

    def __init__(self, kept: Path) -> None:
        self.kept = kept

    def changed(self, _around: float) -> None:
        return None

    def load(self, _around: float) -> None:
        return None


@cache
def empty_ledger() -> Path:
    """A ledger without records, copied for each night: to make its tables takes longer."""
    path = Path(tempfile.mkdtemp()) / "empty.sqlite"
    Ledger.open(f"sqlite:///{path}").close()
    return path


class Room:
    """The service of one night, its files, and the ways in."""

    def __init__(self, truth: Truth, folder: Path) -> None:
        self.truth = truth
        self.folder = folder
        self.config = folder / "config"
        for name, content in truth.files().items():
            (self.config / name).parent.mkdir(parents=True, exist_ok=True)
            if name == "contactd.yaml":
                channels = [
                    {"kind": "webhook", "name": each, "url": f"http://127.0.0.1:9/{each}"}
                    for each in CHANNELS
                ]
                content = {**content, "channels": channels}
                content["store"] = {"url": f"sqlite:///{folder / 'ledger.sqlite'}"}
            write(self.config / name, content)
        shutil.copy(empty_ledger(), folder / "ledger.sqlite")
        self.configuration = load(self.config, folder, START)
        self.clock = HandClock()
        self.receivers = [Receiver(name, self.clock) for name in ("log", *CHANNELS)]
        self.complaints: list[str] = []

    @contextlib.asynccontextmanager
    async def open(self) -> Any:
        """The service runs in here."""
        url = self.configuration.store_url
        registry = CollectorRegistry()
        store, reader = Store(Ledger.open(url), Inline()), Ledger.open(url)
        self.daemon = Daemon(
            self.configuration, (), NoFiles(self.folder / "kept"), store,  # type: ignore[arg-type]
            Surroundings(
                self.clock, Instruments(registry), threads=Inline(),
                channels=WorldChannels(self.receivers),  # type: ignore[arg-type]
            ),
        )  # fmt: skip
        registry.register(SnapshotCollector(self.daemon.snapshot, self.clock.now))
        app = build_app(
            DaemonView(self.daemon, registry, reader), lambda: AccessRules(tokens=(TOKEN,))
        )
        # Nothing happens by itself: the night asks for each beat.
        await self.daemon.begin()
        try:
            async with httpx.AsyncClient(
                transport=httpx.ASGITransport(app, client=("127.0.0.1", 1)),
                base_url="http://127.0.0.1",
                headers={"Authorization": f"Bearer {SECRET}"},
            ) as self.client:
                yield self
        finally:
            await self.daemon.end()
            reader.close()
            store.close()

    async def at(self, now: float) -> None:
        """Move on, and let the service come to rest."""
        await self.clock.move_to(now)
        for _ in range(3):
            await self.daemon.beat()
            await self.daemon.idle()

    async def state(self, statement: Statement, way: str) -> bool:
        """Enter a statement; whether it was taken."""
        if way == "HTTP":
            answer = await self.client.post("/api/v1/records", json=statement.body())
            if answer.status_code != 201:
                self.complaints.append(answer.text)
            return answer.status_code == 201
        code, _, err = self.command(*statement.arguments())
        if err:
            self.complaints.append(err)
        return code == 0

    def command(self, *arguments: str) -> tuple[int, str, str]:
        """Run a command of the command line in this process: its code, output and complaints."""
        out, err = io.StringIO(), io.StringIO()
        code: Any = 0
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), wide():
            try:
                build(self.clock, lambda *_: 0, lambda *_: None)(
                    [*arguments, "--config", str(self.config)], prog_name="contactd"
                )
            except SystemExit as leaving:
                code = leaving.code or 0
        return int(code), out.getvalue(), err.getvalue()

    async def document(self, path: str) -> Any:
        """The JSON document at a path of the HTTP face."""
        return json.loads(await self.text(path))

    async def text(self, path: str) -> str:
        """The text at a path."""
        return (await self.raw(path)).decode()

    async def raw(self, path: str) -> bytes:
        """The bytes at a path.

        Raises:
            AssertionError: if there is no answer.
        """
        answer = await self.client.get(path)
        assert answer.status_code == 200, f"{path}: {answer.status_code} {answer.text[:200]}"
        return answer.content


@contextlib.contextmanager
def wide() -> Iterator[None]:
    """A screen on which no line of a table is cut."""
    before = os.environ.get("COLUMNS")
    os.environ["COLUMNS"] = "400"
    try:
        yield
    finally:
        os.environ.pop("COLUMNS")
        if before is not None:
            os.environ["COLUMNS"] = before
