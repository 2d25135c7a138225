"""The virtual environment ``.venv`` with contactd installed in it, made once and kept.

A bare Debian has Python but neither pip nor ensurepip. Without root, pip comes from one of: the
standard library, a pip that is there already, the wheel that Debian's own packages leave behind,
or that same wheel downloaded by apt into ``.tools``.
"""

from __future__ import annotations

import fcntl
import hashlib
import importlib.util
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from debian_packages import PackagesUnavailable, PrivatePackages

WHEELS_OF_DEBIAN = Path("usr/share/python-wheels")
PIP_PACKAGE = "python3-pip-whl"


class SetupFailed(Exception):
    """The environment cannot be made; the message says what to do."""


class PythonEnvironment:
    """``.venv`` in the project's folder."""

    def __init__(self, project: Path) -> None:
        self.project = project
        self.folder = project / ".venv"
        self.python = self.folder / "bin" / "python"
        self._stamp = self.folder / "contactd-setup.json"

    def command(self, name: str) -> Path:
        """Path of a command that the environment has."""
        return self.folder / "bin" / name

    def ensure(self, extras: frozenset[str] = frozenset()) -> None:
        """Make the environment with these extras, or see that it is as it should be.

        Raises:
            SetupFailed: it cannot be made.
        """
        with self._alone():
            stamp = self._read_stamp()
            moved = stamp.get("folder", str(self.folder)) != str(self.folder)
            if moved or not self._python_works():
                self._create()
                stamp = {}
            digest = self._digest()
            if stamp.get("digest") == digest and extras <= set(stamp.get("extras", ())):
                return
            wanted = sorted(extras | set(stamp.get("extras", ())))
            say("installing contactd and what it needs into .venv (once; a minute or two)")
            target = f".[{','.join(wanted)}]" if wanted else "."
            self._run_pip("install", "--editable", target)
            stamp = {"digest": digest, "extras": wanted, "folder": str(self.folder)}
            self._stamp.write_text(json.dumps(stamp))

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Two commands started at once take turns."""
        with open(self.project / "pyproject.toml") as held:
            fcntl.flock(held, fcntl.LOCK_EX)
            yield

    def _digest(self) -> str:
        return hashlib.sha256((self.project / "pyproject.toml").read_bytes()).hexdigest()

    def _read_stamp(self) -> dict[str, Any]:
        try:
            return dict(json.loads(self._stamp.read_text()))
        except (OSError, ValueError):
            return {}

    def _python_works(self) -> bool:
        if not self.python.exists() or not self.command("pip").exists():
            return False
        check = [str(self.python), "-c", "import pip, sys; sys.exit(sys.version_info < (3, 11))"]
        return subprocess.run(check, capture_output=True).returncode == 0

    def _create(self) -> None:
        say("making the virtual environment .venv")
        if importlib.util.find_spec("venv") is None:
            raise SetupFailed(_ask_administrator("its Python has no venv module"))
        make = [sys.executable, "-m", "venv", "--clear", "--without-pip", str(self.folder)]
        subprocess.run(make, check=True)
        if importlib.util.find_spec("ensurepip") is not None:
            subprocess.run(
                [str(self.python), "-m", "ensurepip", "--upgrade", "--default-pip"],
                check=True,
                stdout=subprocess.DEVNULL,
            )
            return
        wheel = self._pip_wheel()
        bootstrap = [str(self.python), f"{wheel}/pip", "install", "--quiet", str(wheel)]
        subprocess.run(bootstrap, check=True)

    def _pip_wheel(self) -> Path:
        private = PrivatePackages(self.project / ".tools")
        places = (Path("/") / WHEELS_OF_DEBIAN, private.root / WHEELS_OF_DEBIAN)
        for place in places:
            for wheel in sorted(place.glob("pip-*.whl")):
                return wheel
        say("this Python has no pip: fetching Debian's into .tools")
        try:
            private.fetch([PIP_PACKAGE], alone=True)
        except PackagesUnavailable as error:
            raise SetupFailed(_ask_administrator(str(error))) from error
        return sorted(places[1].glob("pip-*.whl"))[0]

    def _run_pip(self, *arguments: str) -> None:
        command = [str(self.python), "-m", "pip", *arguments]
        environment = {**os.environ, "PIP_DISABLE_PIP_VERSION_CHECK": "1"}
        done = subprocess.run(
            command,
            cwd=self.project,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        if done.returncode:
            print(done.stdout[-4000:], file=sys.stderr)
            raise SetupFailed("pip could not install contactd: its last lines stand above")


def say(text: str) -> None:
    """Tell the user what is going on, before it takes its time."""
    print(f"dev: {text}", file=sys.stderr, flush=True)


def _ask_administrator(why: str) -> str:
    return (
        f"No pip can be had for {sys.executable} ({why}): ask the administrator of this machine "
        "to run 'apt-get install python3-venv', then run this command again."
    )
