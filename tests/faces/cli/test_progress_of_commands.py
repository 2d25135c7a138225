"""Progress is shown on a terminal, on standard error, and only when there is time to read it."""

from __future__ import annotations

import os
import pty
import subprocess
import sys

import pytest

SCRIPT = """
import sys
from contactd.faces.cli.progress import with_progress
done = list(with_progress(range(int(sys.argv[1])), "Predicting", patience_s=float(sys.argv[2])))
print(done == list(range(int(sys.argv[1]))))
"""


def shown(count: int, patience_s: float, terminal: bool) -> tuple[str, str]:
    """Standard output and standard error of a loop with progress."""
    command = [sys.executable, "-c", SCRIPT, str(count), str(patience_s)]
    if not terminal:
        finished = subprocess.run(command, capture_output=True, text=True, check=True)
        return finished.stdout, finished.stderr
    reading, writing = pty.openpty()
    try:
        finished = subprocess.run(
            command, stdout=subprocess.PIPE, stderr=writing, text=True, check=True
        )
        os.set_blocking(reading, False)
        try:
            return finished.stdout, os.read(reading, 100_000).decode()
        except BlockingIOError:
            return finished.stdout, ""
    finally:
        os.close(writing)
        os.close(reading)


@pytest.mark.parametrize(
    ("count", "patience_s", "terminal", "bar"),
    [
        (40, -1, True, True),
        (40, 3600, True, False),
        (40, -1, False, False),
        (1, -1, True, False),
        (0, -1, True, False),
    ],
)
def test_a_bar_is_shown_to_people_who_have_waited(
    count: int, patience_s: float, terminal: bool, bar: bool
) -> None:
    out, err = shown(count, patience_s, terminal)
    assert out == "True\n"
    assert ("Predicting" in err) is bar
    assert ("100%" in err) is bar
