"""One service on one SQLite ledger: a lock beside its file, which ends with the process.

Source: flock(2): the kernel lets go of the lock when the process that holds it ends, however it
does. Commands take no part in this: what they append is true whoever watches.
"""

from __future__ import annotations

import fcntl
import json
import os
import socket
from pathlib import Path
from typing import Self

from contactd.core.errors import LedgerError


class LedgerInUse(LedgerError):
    """Another service watches on this ledger."""


class ServiceLock:
    """Held as long as a service watches.

    Args:
        file: the ledger's.
    """

    def __init__(self, file: Path) -> None:
        self._path = file.with_name(f"{file.name}.lock")
        self._descriptor = -1

    def take(self, since: str) -> Self:
        """Take the lock, and say in its file who holds it.

        Args:
            since: the present, as text.

        Raises:
            LedgerInUse: if another service holds it; the message says which.
            LedgerError: if the file cannot be made.
        """
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise LedgerError(
                f"the lock {self._path} cannot be made: {error.strerror}", passing=True
            ) from error
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = self._holder()
            self.release()
            raise LedgerInUse(
                f"Another contactd watches on this ledger: {holder}. Stop it first. "
                f"(lock: {self._path})"
            ) from None
        told = {"pid": os.getpid(), "host": socket.gethostname(), "since": since}
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, json.dumps(told).encode(), 0)
        return self

    def release(self) -> None:
        """Let go of it."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def _holder(self) -> str:
        try:
            told = json.loads(os.pread(self._descriptor, 1000, 0))
            return f"process {told['pid']} on {told['host']}, since {told['since']}"
        except (OSError, ValueError, KeyError, TypeError):
            return "it has not said which process it is"
