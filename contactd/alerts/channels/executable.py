"""Alerts to a program of the user's own.

The program gets the JSON of the webhook on its standard input, and the most important of it in its
environment. No shell is involved. It accepts the message by ending with 0; what it started may go
on. 64 (EX_USAGE) and 65 (EX_DATAERR) refuse this message for good; after any other end, or if the
program is missing, somebody may put that right, so that it is tried again.

Source: BSD sysexits(3), as Debian's /usr/include/sysexits.h has it; POSIX.1-2017, XCU 2.8.2.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
from collections.abc import Sequence

from contactd.alerts import text
from contactd.alerts.notification import Notification, payload
from contactd.core.errors import DeliveryError

MOST_OUTPUT_BYTES = 4_096
LOOK_AGAIN_S = 0.02
_FOR_GOOD = frozenset({64, 65})
_PASSED_ON = ("PATH", "LANG", "LC_ALL", "TZ", "HOME")


class ExecutableChannel:
    """Runs a program for each message.

    Args:
        command: the program's path and its arguments.
        timeout_s: after which it is killed, with all that it started.
    """

    def __init__(self, name: str, command: Sequence[str], timeout_s: float = 30.0) -> None:
        self.name = name
        self._command = tuple(command)
        self._timeout_s = timeout_s

    async def send(self, notification: Notification) -> None:
        """Run the program; its end with 0 accepts the message."""
        try:
            process = await asyncio.create_subprocess_exec(
                *self._command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                env=self._environment(notification),
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            reason = f"{self._command[0]} cannot be run: {getattr(error, 'strerror', error)}"
            raise DeliveryError(self.name, reason, isinstance(error, OSError)) from error
        try:
            complaint = await asyncio.wait_for(self._talk(process, notification), self._timeout_s)
        except TimeoutError:
            reason = f"{self._command[0]} did not end within {self._timeout_s:g} s"
            raise DeliveryError(self.name, reason, True) from None
        finally:
            await _end(process)
        code = process.returncode
        if code != 0:
            reason = f"{self._command[0]} ended with {code}"
            raise DeliveryError(
                self.name, f"{reason}: {complaint}" if complaint else reason, code not in _FOR_GOOD
            )

    async def close(self) -> None:
        """Nothing is held open."""

    async def _talk(self, process: asyncio.subprocess.Process, notification: Notification) -> str:
        assert process.stdin is not None
        assert process.stderr is not None
        body = json.dumps(payload(notification), ensure_ascii=False).encode() + b"\n"
        # A program that does not read its input is none the worse for it.
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            process.stdin.write(body)
            await process.stdin.drain()
        process.stdin.close()
        said: list[bytes] = []
        listening = asyncio.ensure_future(_listen(process.stderr, said))
        try:
            # Its end counts, not that of what it started, which may hold the pipe open for long.
            while process.returncode is None and not listening.done():
                await asyncio.wait((listening,), timeout=LOOK_AGAIN_S)
            if process.returncode is None:
                await process.wait()
            await asyncio.wait((listening,), timeout=LOOK_AGAIN_S)
        finally:
            listening.cancel()
        return " ".join(b"".join(said).decode("utf-8", "replace").split())

    def _environment(self, notification: Notification) -> dict[str, str]:
        kept = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
        return {
            **kept,
            "CONTACTD_MESSAGE": notification.key,
            "CONTACTD_ABOUT": notification.about.value,
            "CONTACTD_SEVERITY": notification.severity.value,
            "CONTACTD_TITLE": text.title(notification),
        }


async def _listen(stderr: asyncio.StreamReader, said: list[bytes]) -> None:
    """Keep the last of what a program says."""
    while part := await stderr.read(65_536):
        said[:] = [b"".join((*said, part))[-MOST_OUTPUT_BYTES:]]


async def _end(process: asyncio.subprocess.Process) -> None:
    """See that nothing is left of a program that did not end, whatever it started."""
    if process.returncode is not None:
        # What it started may hold the other end for as long as it likes.
        transport: asyncio.SubprocessTransport = process._transport  # type: ignore[attr-defined]
        transport.close()
        return
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)
    await process.wait()
