"""Writes the log without ever waiting for whoever reads it.

A pipe that nobody empties, a full disk, a terminal that was stopped: the lines wait in memory,
bounded; what is more is dropped and counted, and the log says so itself as soon as it flows again.
"""

from __future__ import annotations

import io
import os
import threading
from collections import deque
from collections.abc import Callable
from typing import TextIO

MOST_WAITING = 10_000
"""Lines."""
MOST_WAITING_CHARACTERS = 4_000_000
DRAIN_WITHIN_S = 2.0


class LogWriter(io.TextIOBase):
    """A stream for writing, whose text a thread of its own writes on.

    Attributes:
        dropped: lines that were never written, since the start.

    Args:
        stream: where to.
        missing: the line that says how many lines are missing.
    """

    def __init__(self, stream: TextIO, missing: Callable[[int], str]) -> None:
        self._stream = stream
        self._missing = missing
        self._lines: deque[str] = deque()
        self._characters = 0
        self._told = 0
        self._changed = threading.Condition()
        self._is_writing = False
        self.dropped = 0
        # It may wait for ever for a reader: it must not keep the process from ending.
        threading.Thread(target=self._write_on, name="log", daemon=True).start()

    def write(self, text: str) -> int:
        """Have text written; never waits, never raises for what the stream does."""
        with self._changed:
            full = len(self._lines) >= MOST_WAITING
            if full or self._characters + len(text) > MOST_WAITING_CHARACTERS:
                self.dropped += text.count("\n")
            else:
                self._lines.append(text)
                self._characters += len(text)
                self._changed.notify_all()
        return len(text)

    def flush(self) -> None:
        """Nothing to be done: lines are written as soon as they can be."""

    def drain(self, within_s: float = DRAIN_WITHIN_S) -> None:
        """Wait until all is written, but not longer than so many seconds."""
        with self._changed:
            self._changed.wait_for(lambda: not self._lines and not self._is_writing, within_s)

    def _write_on(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._lines))
                text = "".join(self._lines)
                self._lines.clear()
                self._characters = 0
                self._is_writing = True
                missing, self._told = self.dropped - self._told, self.dropped
            if missing:
                # What waited came before what was dropped.
                text += self._missing(missing)
            try:
                _write(self._stream, text)
            except (OSError, ValueError):  # full, or closed: what it does not take is lost
                with self._changed:
                    self.dropped += text.count("\n")
            with self._changed:
                self._is_writing = False
                self._changed.notify_all()


def _write(stream: TextIO, text: str) -> None:
    """Write past the stream's own buffer, whose lock would keep the process from ending."""
    try:
        number = stream.fileno()
    except (OSError, ValueError, AttributeError):
        stream.write(text)
        stream.flush()
        return
    left = memoryview(text.encode(errors="backslashreplace"))
    while left:
        left = left[os.write(number, left) :]
