"""Real outside programs for tests: ``program("prometheus")`` is a path, or the test is skipped.

With ``CONTACTD_REQUIRE_PROGRAMS=1`` a missing program is a failure: nothing is left untested
unnoticed where all programs should be there.
"""

from __future__ import annotations

import os
from pathlib import Path

import outside_programs
import pytest


def program(name: str) -> Path:
    """Path of a real program; skips the calling test (or fails it) where there is none."""
    path = outside_programs.find(name)
    if path is not None:
        return path
    reason = f"{name} is not on this machine: 'python3 deploy/local test' fetches it"
    if os.environ.get("CONTACTD_REQUIRE_PROGRAMS") == "1":
        pytest.fail(reason)
    pytest.skip(reason)
