"""What is built works without the source tree."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest
from daemon import Daemon
from real_process import free_port
from scene import Scene

PROJECT = Path(__file__).parents[2]
PACKAGE = PROJECT / "contactd"

pytestmark = pytest.mark.process


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sdist, and the wheel built from that sdist."""
    folder = tmp_path_factory.mktemp("built")
    command = [sys.executable, "-m", "build", "--outdir", str(folder), str(PROJECT)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return folder


def tracked() -> set[str]:
    """Every file of the package that is under version control, relative to the project."""
    command = ["git", "ls-files", "contactd"]
    listed = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=True)
    return set(listed.stdout.split())


def test_the_wheel_has_every_file_of_the_package_and_nothing_else(built: Path):
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    assert tracked() <= names, f"left out: {sorted(tracked() - names)[:10]}"
    assert all(name.startswith("contactd/") for name in names)


def test_the_sdist_has_what_is_needed_to_build_from_it(built: Path):
    (sdist,) = built.glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        names = {name.split("/", 1)[-1] for name in archive.getnames()}
    assert {"pyproject.toml", "README.md", "LICENSE"} <= names
    assert tracked() <= names


def test_the_installed_wheel_works_away_from_the_source_tree(built: Path, tmp_path: Path):
    (wheel,) = built.glob("*.whl")
    place = tmp_path / "installed"
    install = ["install", "--quiet", "--no-deps", "--target", str(place), str(wheel)]
    subprocess.run([sys.executable, "-m", "pip", *install], check=True, timeout=120)
    environment = {**os.environ, "PYTHONPATH": str(place)}

    def contactd(*arguments: str) -> str:
        command = [sys.executable, "-P", "-m", "contactd", *arguments]
        done = subprocess.run(
            command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    where = [sys.executable, "-P", "-c", "import contactd; print(contactd.__file__)"]
    found = subprocess.run(where, cwd=tmp_path, env=environment, capture_output=True, text=True)
    assert found.stdout.startswith(str(place))
    contactd("demo", "demo")
    contactd("check", "--config", "demo")
    assert '"aos"' in contactd("contacts", "--config", "demo", "--format", "json")


def python_of(version: str) -> str | None:
    """A Python of this version that really starts: on the path, or among pyenv's."""
    named = shutil.which(f"python{version}")
    kept = sorted(Path.home().glob(f".pyenv/versions/{version}.*/bin/python"))
    for path in [*([named] if named else []), *map(str, kept)]:
        if subprocess.run([path, "-c", ""], capture_output=True).returncode == 0:
            return path
    return None


@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_the_wheel_works_with_what_it_declares_and_nothing_else(
    built: Path, tmp_path: Path, version: str
):
    """In a fresh environment of each Python that is there."""
    python = python_of(version)
    if python is None:
        pytest.skip(f"there is no python{version} here")
    (wheel,) = built.glob("*.whl")
    place = tmp_path / "environment"
    subprocess.run([python, "-m", "venv", "--without-pip", str(place)], check=True, timeout=60)
    pip = [sys.executable, "-m", "pip", "--python", str(place / "bin/python")]
    subprocess.run([*pip, "install", "--quiet", str(wheel)], check=True, timeout=600)
    contactd = str(place / "bin/contactd")
    for command in (["demo", "demo"], ["check", "--config", "demo"], ["forecast"]):
        arguments = [*command, "--config", "demo"] if command == ["forecast"] else command
        done = subprocess.run(
            [contactd, *arguments], cwd=tmp_path, capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, done.stdout + done.stderr
    # The service begins: everything that it imports is declared.
    scene = Scene(tmp_path / "scene", free_port())
    scene.write_target("Quiet Lantern")
    daemon = Daemon(scene)
    daemon.command[0] = contactd
    try:
        daemon.begin()
    finally:
        daemon.clean_up()
