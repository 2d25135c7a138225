"""The real contactd as a process, over the files of a :class:`scene.Scene`."""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families
from real_process import RealProcess, free_port
from scene import Scene
from waiting import wait_for

CONTACTD = Path(sys.executable).with_name("contactd")


class Daemon(RealProcess):
    """``contactd run`` over a scene."""

    def __init__(self, scene: Scene, environment: Mapping[str, str] | None = None) -> None:
        command = [CONTACTD, "run", "--config", scene.config]
        super().__init__(command, scene.folder / "contactd.log", environment, scene.folder)
        self.scene = scene
        self.address = f"http://127.0.0.1:{scene.port}"

    @property
    def url(self) -> str:
        """Where it answers."""
        return self.address

    def get(self, path: str) -> httpx.Response:
        """Its answer to a request."""
        return httpx.get(self.url + path, timeout=30)

    def begin(self) -> None:
        """Start it and wait until it says that it is ready."""
        self.start()
        self.wait_until_ready()

    def wait_until_ready(self) -> None:
        """Wait until it says that it is ready, or is but for what it does not watch.

        Fails at once if it ends instead.
        """

        def ready() -> bool:
            assert self.running(), f"contactd ended:\n{self.output()[-3000:]}"
            try:
                answer = self.get("/health/ready")
                reasons = answer.json().get("reasons", [])
                lacks = bool(reasons) and all("watched" in each for each in reasons)
                return answer.status_code == 200 or lacks
            except httpx.TransportError:
                return False

        try:
            wait_for(ready, "contactd to be ready", patience_s=240)
        except AssertionError as error:
            raise AssertionError(f"{error}:\n{self.output()[-3000:]}") from None

    def reload(self) -> None:
        """Tell it that its files have changed (SIGHUP)."""
        self.signal(signal.SIGHUP)

    def events(self) -> list[dict[str, Any]]:
        """The lines of its JSON log."""
        return [json.loads(line) for line in self.output().splitlines() if line.startswith("{")]

    def metric(self, name: str, **labels: str) -> float | None:
        """Value of the one sample of a metric that has these labels."""
        families = text_string_to_metric_families(self.get("/metrics").text)
        samples = [
            sample
            for family in families
            for sample in family.samples
            if sample.name == name and labels.items() <= sample.labels.items()
        ]
        assert len(samples) < 2, f"{name} has {len(samples)} samples with {labels}"
        return samples[0].value if samples else None


StartDaemon = Callable[..., Daemon]


@pytest.fixture
def lay_scene(tmp_path: Path) -> Callable[..., Scene]:
    """Lays the files of a scene: ``lay_scene(settings={…})``."""

    def lay(**settings: Any) -> Scene:
        return Scene(tmp_path / "scene", free_port(), settings)

    return lay


@pytest.fixture
def start_daemon() -> Iterator[StartDaemon]:
    """Starts the daemon over a scene and waits until it is ready; none outlives the test."""
    started: list[Daemon] = []

    def start(scene: Scene, **environment: str) -> Daemon:
        daemon = Daemon(scene, environment)
        started.append(daemon)
        daemon.begin()
        return daemon

    yield start
    for daemon in started:
        daemon.clean_up()
