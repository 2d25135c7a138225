"""A real program as a child process: its log kept, its end assured."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from waiting import wait_for


def free_port() -> int:
    """A port of the loopback interface that nobody uses just now."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


class RealProcess:
    """One program, started and stopped as often as a test wants; all output goes to one file."""

    def __init__(
        self,
        command: Sequence[object],
        log: Path,
        environment: Mapping[str, str] | None = None,
        folder: Path | None = None,
    ) -> None:
        self.command = [str(part) for part in command]
        self.log = log
        self.environment = {**os.environ, **(environment or {})}
        self.folder = folder
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; it must not be running."""
        assert self.process is None or self.process.poll() is not None
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                self.command,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                env=self.environment,
                cwd=self.folder,
            )

    @property
    def pid(self) -> int:
        """Its process number."""
        assert self.process is not None
        return self.process.pid

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal."""
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        """End it at once, as a power cut would (SIGKILL)."""
        self.signal(signal.SIGKILL)
        assert self.process is not None
        self.process.wait(10)

    def stop(self, patience_s: float = 15.0) -> int:
        """Ask it to end (SIGTERM) and return its exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(patience_s)

    def clean_up(self) -> None:
        """Leave nothing running, however the test went."""
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(10)

    def output(self) -> str:
        """All that it has written so far."""
        return self.log.read_text(errors="replace") if self.log.exists() else ""

    def running(self) -> bool:
        """Whether it runs."""
        return self.process is not None and self.process.poll() is None

    def wait_for_output(self, text: str, patience_s: float = 20.0) -> str:
        """Its output, as soon as that contains ``text``; fails at once if it has ended before."""

        def look() -> str | None:
            written = self.output()
            if text in written:
                return written
            assert self.running(), f"ended before it wrote {text!r}:\n{written[-3000:]}"
            return None

        return wait_for(look, f"{text!r} in the output of {self.command[0]}", patience_s)
