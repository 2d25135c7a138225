"""The page of a live rehearsal: marked as one, and steered from there."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from socket import create_server

import pytest
import yaml
from real_browser import DESK, PHONE

pytestmark = pytest.mark.process

CONTACTD = Path(sys.executable).with_name("contactd")
SCRIPT = {"title": "Page", "begins": "2026-12-03T08:00:00Z", "lasts": "10h"}


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory) -> Iterator[tuple[str, str]]:
    folder = tmp_path_factory.mktemp("rehearsal")
    (folder / "script.yaml").write_text(yaml.safe_dump(SCRIPT))
    with create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    process = subprocess.Popen(
        [CONTACTD, "rehearse", folder / "script.yaml", "--speed", "10", "--port", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    said = process.stderr.readline() + process.stderr.readline()
    found = re.search(r"contactd_[\w-]+", said)
    assert found, said
    yield f"http://127.0.0.1:{port}", found[0]
    process.terminate()
    process.communicate(timeout=20)


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_only_who_has_signed_in_can_steer(rehearsal, visit, size):
    base, secret = rehearsal
    guest = visit(base, viewport={"desk": DESK, "phone": PHONE}[size])
    page = guest.open("now")
    notice = page.locator(".notice")
    notice.wait_for()
    assert "REHEARSAL" in notice.inner_text()
    page.get_by_role("button", name="Sign in to steer it").click()
    page.get_by_label("Token").fill(secret)
    page.get_by_role("button", name="Sign in", exact=True).last.click()
    page.get_by_role("button", name="Pause").click()
    page.get_by_role("button", name="Go on").wait_for()
    assert "paused" in page.locator(".steer-told").inner_text()
    before = page.locator(".steer-told").inner_text()
    page.get_by_role("button", name="+1 h").click()
    page.wait_for_function(
        "(before) => document.querySelector('.steer-told').textContent !== before", arg=before
    )
    page.get_by_label("Speed").select_option("600")
    page.wait_for_timeout(300)
    guest.picture(f"rehearsal-{size}")
    page.get_by_role("button", name="Go on").click()
    page.get_by_role("button", name="Pause").wait_for()
    wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wide) <= 0
    assert guest.violations() == []
    assert guest.troubles == []
    page.get_by_label("Speed").select_option("10")
