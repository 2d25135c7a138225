"""The systemd unit, judged by systemd's own tools."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from programs import program

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "contactd.service"
INSTALLED = "/opt/contactd/bin/contactd"
MOST_EXPOSURE = 1.5

pytestmark = pytest.mark.process


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit as installed, but for the place where the command lies."""
    text = UNIT.read_text()
    assert INSTALLED in text
    here = Path(sys.executable).with_name("contactd")
    path = tmp_path / UNIT.name
    path.write_text(text.replace(INSTALLED, str(here)))
    return path


def analyze(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [str(program("systemd-analyze")), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def test_systemd_finds_nothing_to_say_about_the_unit(unit: Path):
    done = analyze("verify", unit)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_exposure_of_the_unit_is_within_its_bound(unit: Path):
    done = analyze("security", "--offline=true", "--no-pager", unit)
    found = re.search(r"Overall exposure level for contactd.service: ([\d.]+)", done.stdout)
    assert found, done.stdout + done.stderr
    assert float(found[1]) <= MOST_EXPOSURE, done.stdout
