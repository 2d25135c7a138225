"""Waiting for what another process will do, with an end to the patience."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

Found = TypeVar("Found")


def wait_for(
    look: Callable[[], Found | None], what: str, patience_s: float = 90.0, pause_s: float = 0.05
) -> Found:
    """What ``look`` returns as soon as that is true.

    Raises:
        AssertionError: it was not within ``patience_s``; the message names ``what``.
    """
    deadline = time.monotonic() + patience_s
    while True:
        found = look()
        if found:
            return found
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {patience_s:g} s in vain for {what}")
        time.sleep(pause_s)
