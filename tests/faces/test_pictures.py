"""Pictures from the command line, drawn by the real command on a real configuration."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from contactd.config.demo import write_demo
from contactd.core import instants

CONTACTD = Path(sys.executable).with_name("contactd")
NOW = "2026-12-03T08:00:00Z"
SPAN = ["--from", NOW, "--to", "2026-12-03T20:00:00Z"]
COMMANDS = {
    "contacts": ["contacts", *SPAN],
    "sky": ["contacts", *SPAN, "--target", "Lantern 3", "--pointing"],
    "coverage": ["forecast", "--at", NOW],
    "station time": ["allocate", "--at", NOW, "--to", "2026-12-03T20:00:00Z"],
    "margin": [
        "align",
        "Lantern 3",
        "boom and wheels",
        "--from",
        "2026-12-04T04:00:00Z",
        "--to",
        "2026-12-04T06:00:00Z",
        "--limit",
        "1",
    ],
}


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pictures") / "config"
    write_demo(folder, instants.from_text(NOW))
    return folder


def draw(config: Path, arguments: list[str], path: Path) -> subprocess.CompletedProcess[str]:
    command = [CONTACTD, *arguments, "--config", config, "--plot", path]
    return subprocess.run(command, capture_output=True, text=True)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_each_picture_can_be_drawn_and_is_the_same_file_each_time(
    config: Path, tmp_path: Path, name: str
) -> None:
    first, second = tmp_path / "first.svg", tmp_path / "second.svg"
    for path in (first, second):
        done = draw(config, COMMANDS[name], path)
        assert done.returncode == 0, done.stderr
        assert done.stdout
    assert ElementTree.parse(first).getroot().tag.endswith("svg")
    assert first.read_bytes() == second.read_bytes()


def test_a_picture_may_be_a_png(config: Path, tmp_path: Path) -> None:
    path = tmp_path / "contacts.png"
    assert draw(config, COMMANDS["contacts"], path).returncode == 0
    assert path.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_another_form_is_refused_with_what_is_expected(config: Path, tmp_path: Path) -> None:
    done = draw(config, COMMANDS["contacts"], tmp_path / "contacts.gif")
    assert done.returncode == 2
    assert ".png or .svg" in done.stderr
