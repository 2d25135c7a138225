"""The outputs that the documents show, made by running what they say.

A block begins with ``<!-- output: COMMAND -->`` or ``<!-- glimpse: NAME -->`` and ends with
``<!-- end -->``. An *output* is the same whenever it is made, over the configuration that ships in
``config``; the tests compare it. A *glimpse* is taken from a real run of the service on a demo of
the present moment, and differs each time.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
README = PROJECT / "README.md"
DOCUMENTS = (*sorted(PROJECT.glob("*.md")), *sorted(PROJECT.glob("*/README.md")))
BLOCK = re.compile(r"(<!-- (output|glimpse): (.*?) -->\n).*?(<!-- end -->)", re.DOTALL)
LOG_LINES = 16
LISTENS_WITHIN_S = 30.0


def rewritten(contactd: Path, text: str, kinds: tuple[str, ...] = ("output", "glimpse")) -> str:
    """A document's text with its blocks of these kinds made anew."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(PROJECT / "config", Path(folder) / "config")
        glimpses: dict[str, str] = {}

        def block(found: re.Match[str]) -> str:
            opening, kind, what, closing = found.groups()
            if kind not in kinds:
                return found[0]
            if kind == "output":
                shown = f"$ {what}\n{output_of(contactd, what, Path(folder))}"
            else:
                if not glimpses:
                    glimpses.update(look(contactd, Path(folder)))
                shown = glimpses[what]
            return f"{opening}\n```text\n{shown.rstrip()}\n```\n\n{closing}"

        return BLOCK.sub(block, text)


def output_of(contactd: Path, command: str, folder: Path) -> str:
    """What a command of contactd prints at 80 columns."""
    words = shlex.split(command)
    assert words[0] == "contactd", command
    done = subprocess.run(
        [str(contactd), *words[1:]],
        cwd=folder,
        env={**os.environ, "COLUMNS": "80"},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def look(contactd: Path, folder: Path) -> dict[str, str]:
    """The log and some metrics of a real run."""
    subprocess.run(
        [str(contactd), "demo", "demo"], cwd=folder, check=True, stdout=subprocess.DEVNULL
    )
    log = folder / "log"
    with log.open("w") as out:
        service = subprocess.Popen(
            [str(contactd), "run", "--config", "demo"], cwd=folder, stdout=out, stderr=out
        )
    try:
        wait_until(lambda: "WARNING" in log.read_text(), service)
        metrics = wait_until(lambda: fetch("http://127.0.0.1:8010/metrics"), service)
        time.sleep(2)
    finally:
        service.send_signal(signal.SIGTERM)
        service.wait(30)
    wanted = ("contactd_next_aos", "contactd_step_remaining", "contactd_step_coverage")
    samples = [
        line
        for line in metrics.splitlines()
        if line.startswith(wanted) and "Lantern 3" in line and "NaN" not in line
    ]
    return {
        "log": "\n".join(log.read_text().splitlines()[:LOG_LINES]),
        "metrics": "\n".join(sample for sample in samples if "boom" not in sample),
    }


def wait_until(found: Callable[[], str | bool], service: subprocess.Popen[bytes]) -> str:
    """The first true thing that ``found`` gives.

    Raises:
        SystemExit: the service ended, or it took too long.
    """
    deadline = time.monotonic() + LISTENS_WITHIN_S
    while time.monotonic() < deadline and service.poll() is None:
        result = found()
        if result:
            return str(result)
        time.sleep(0.2)
    raise SystemExit("the service did not show what the documents are to show of it")


def fetch(url: str) -> str:
    """The text at a URL on this machine; "" while nothing answers there."""
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:  # noqa: S310 - our own service
            return str(answer.read().decode())
    except (OSError, urllib.error.URLError):
        return ""
