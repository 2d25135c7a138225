"""The command line as a real process, on a real configuration, at a stated moment.

The world is invented. Two satellites: Lantern 3, low, with a wake-up sequence, and Heron 1, which
hangs over one longitude. Four stations.
"""

from __future__ import annotations

import atexit
import csv
import io
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from orbits import geostationary

from contactd.core import instants
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.tle import format_tle

NOW = "2026-11-25T09:00:00Z"

STATIONS = {
    "nordhavn": ("Nordhavn", 69.0, 18.0),
    "cape-sorrow": ("Cape Sorrow", -34.0, 19.0),
    "mirador": ("Mirador", 5.0, -52.0),
    "kelp-bay": ("Kelp Bay", 64.0, -147.0),
}

LANTERN = """
name: Lantern 3
elements:
  tle: |
    {line1}
    {line2}
  timing_error: {{at_epoch: 0.2s, per_day: 1.5s}}
sequences:
  - name: wake-up
    start:
      status: expected
      not_before: 2026-11-25T08:00:00Z
      not_after: 2026-11-25T10:00:00Z
      give_or_take: 30s
    clock: {{rate_error_ppm: 50}}
    people_near: [{{from: 2026-11-25T08:00:00Z, to: 2026-11-25T10:30:00Z}}]
    steps:
      - name: receiver on
        after: start
        delay: {{setting: {{from: 1h, to: 9h, resolution: 10min, chosen: 1h 30min}}}}
        needs: {{service: telemetry, before: 30s, after: 1min}}
      - name: antenna release
        after: receiver on
        delay: 2min
        hazard: deployment
        keep_clear: {{before: 2min, after: 10min}}
        stop: {{lead: 60s, takes_effect_in: 20s}}
        needs: {{service: command, before: 30s, after: 1min}}
      - name: beacon
        after: antenna release
        delay: 5h 30min
        needs: {{service: telemetry, after: 20s}}
"""


@dataclass(frozen=True)
class Answer:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def told(self) -> str:
        """What it said on standard error, but for which ledger it wrote to."""
        lines = self.err.splitlines(keepends=True)
        return "".join(line for line in lines if not line.startswith("Ledger: "))

    @property
    def json(self) -> Any:
        return json.loads(self.out)

    @property
    def csv(self) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.out)))


@dataclass
class Watch:
    """A folder of configuration, and commands run over it."""

    folder: Path

    @property
    def config(self) -> Path:
        return self.folder / "config"

    def write(self, name: str, text: str) -> Path:
        """Write a file of the configuration."""
        path = self.config / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    def __call__(
        self, *arguments: str, now: str | None = NOW, config: bool = True, **environment: str
    ) -> Answer:
        """Run ``contactd`` with its clock at ``now`` (None: the machine's own)."""
        where = ["--config", str(self.config)] if config else []
        kept = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
        given = {**kept, "PYTHONWARNINGS": "error", "USER": "tester", **environment}
        if now is None:
            command = [sys.executable, "-m", "contactd", *arguments, *where]
            return _in_a_new_interpreter(command, given, self.folder)
        return commands_at_a_moment().run([*arguments, *where], now, given, self.folder)


def _in_a_new_interpreter(
    command: Sequence[str], environment: Mapping[str, str], folder: Path
) -> Answer:
    finished = subprocess.run(
        command,
        env=dict(environment),
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    return Answer(finished.returncode, finished.stdout, finished.stderr)


class CommandsAtAMoment:
    """Runs ``contactd`` with its clock standing still, each time as a process of its own.

    The processes are forked from one that has imported what commands need, so that hundreds of
    tests do not pay for the imports; what they import when is tested elsewhere.
    """

    def __init__(self) -> None:
        self._waiting = threading.Lock()
        self._parent = subprocess.Popen(
            [sys.executable, "-W", "error", str(Path(__file__).with_name("command_parent.py"))],
            # With a thread of a numerical library running, a fork would not be safe.
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        atexit.register(self._parent.kill)

    def run(
        self, arguments: Sequence[str], now: str, environment: Mapping[str, str], folder: Path
    ) -> Answer:
        """One command."""
        assert self._parent.stdin is not None
        assert self._parent.stdout is not None
        with tempfile.TemporaryDirectory() as place:
            out, err, code = (Path(place, name) for name in ("out", "err", "code"))
            asked = {
                "arguments": list(arguments),
                "now": now,
                "environment": dict(environment),
                "folder": str(folder),
                "out": str(out),
                "err": str(err),
                "code": str(code),
            }
            with self._waiting:
                self._parent.stdin.write(json.dumps(asked) + "\n")
                self._parent.stdin.flush()
                pid = self._parent.stdout.readline()
            return Answer(_end_of(code, int(pid)), out.read_text("utf-8"), err.read_text("utf-8"))


def _end_of(code: Path, pid: int) -> int:
    """The exit code that a process writes down as the last thing it does."""
    deadline = time.monotonic() + 60
    while not code.exists():
        if time.monotonic() > deadline:
            os.kill(pid, signal.SIGKILL)
            raise TimeoutError("the command did not end within a minute")
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            if not code.exists():
                raise AssertionError("the command was killed") from None
        time.sleep(0.005)
    return int(code.read_text())


@cache
def commands_at_a_moment() -> CommandsAtAMoment:
    """The one that all tests of this process share."""
    return CommandsAtAMoment()


def low_orbit(name: str = "LANTERN 3", epoch: str = "2026-11-25T00:00:00Z") -> ElementSet:
    """A nearly polar orbit, fifteen times round a day."""
    return ElementSet(
        name=name,
        catalogue_number=90001,
        international_designator="2026-001A",
        epoch=instants.from_text(epoch),
        mean_motion_rev_per_day=15.0,
        eccentricity=0.001,
        inclination_deg=97.6,
        raan_deg=10.0,
        argument_of_perigee_deg=90.0,
        mean_anomaly_deg=270.0,
        bstar_per_earth_radius=2e-5,
    )


def target_text(elements: ElementSet, template: str = LANTERN) -> str:
    """A target's file with the elements written into it."""
    line1, line2 = format_tle(elements)
    return template.format(line1=line1, line2=line2)


def lay_watch(folder: Path) -> Watch:
    """Write the configuration and return what runs commands over it."""
    watch = Watch(folder)
    for file, (name, latitude_deg, longitude_deg) in STATIONS.items():
        watch.write(
            f"stations/{file}.yaml",
            f"name: {name}\nlatitude_deg: {latitude_deg}\nlongitude_deg: {longitude_deg}\n"
            "least_elevation_deg: 5\n"
            "services: {telemetry: {}, command: {least_elevation_deg: 10, acquisition: 20s}}\n",
        )
    watch.write("targets/lantern-3.yaml", target_text(low_orbit()))
    heron = geostationary(18.0, epoch=instants.from_text("2026-11-24T00:00:00Z"))
    watch.write(
        "targets/heron-1.yaml",
        target_text(heron, "name: Heron 1\nelements:\n  tle: |\n    {line1}\n    {line2}\n"),
    )
    return watch
