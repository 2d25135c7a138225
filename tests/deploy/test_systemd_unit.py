"""The systemd unit, judged by systemd's own tools."""

from __future__ import annotations

import os
import re
import shutil
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
    """The unit as installed, but for the place where the command lies; beside it the targets that
    systemd brings, since a machine to test on may have no systemd of its own.
    """
    text = UNIT.read_text()
    assert INSTALLED in text
    here = Path(sys.executable).with_name("contactd")
    path = tmp_path / UNIT.name
    path.write_text(text.replace(INSTALLED, str(here)))
    unpacked = program("systemd-analyze").parents[1] / "root"
    for folder in (Path("/usr/lib"), unpacked / "lib", unpacked / "usr/lib"):
        for target in (folder / "systemd/system").glob("*.target"):
            if not (tmp_path / target.name).exists():
                shutil.copy(target, tmp_path / target.name)
    return path


def analyze(unit: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [str(program("systemd-analyze"))]
    if os.geteuid() and not Path("/run/systemd").is_dir():
        # Where systemd does not run, only root may make the folder that its tools work in.
        own_run = 'mount -t tmpfs run /run && exec "$@"'
        command = ["unshare", "--map-root-user", "--mount", "sh", "-c", own_run, "sh", *command]
    environment = {**os.environ, "SYSTEMD_UNIT_PATH": str(unit.parent)}
    return subprocess.run(
        [*command, *arguments, str(unit)],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
    )


def test_systemd_finds_nothing_to_say_about_the_unit(unit: Path):
    done = analyze(unit, "verify")
    assert (done.returncode, done.stderr) == (0, "")


def test_systemd_finds_nothing_to_say_about_the_socket(unit: Path):
    shutil.copy(UNIT.with_suffix(".socket"), unit.parent)
    done = analyze(unit.with_suffix(".socket"), "verify")
    assert (done.returncode, done.stderr) == (0, "")


def test_the_exposure_of_the_unit_is_within_its_bound(unit: Path):
    done = analyze(unit, "security", "--offline=true", "--no-pager")
    found = re.search(r"Overall exposure level for contactd.service: ([\d.]+)", done.stdout)
    assert found, done.stdout + done.stderr
    assert float(found[1]) <= MOST_EXPOSURE, done.stdout
