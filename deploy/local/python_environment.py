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
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from debian_packages import PackagesUnavailable, PrivatePackages

PIP_PACKAGE, PIP_WHEEL = "python3-pip-whl", "usr/share/python-wheels/pip-*.whl"
AUTHORITIES_PACKAGE = "ca-certificates"
AUTHORITIES_OF_DEBIAN = Path("/etc/ssl/certs/ca-certificates.crt")
AUTHORITIES_FINDER = """
def where() -> str:
    return {bundle!r}


def contents() -> str:
    with open({bundle!r}) as file:
        return file.read()
"""


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
        if not self.python.exists():
            return False
        check = [str(self.python), "-c", "import pip, sys; sys.exit(sys.version_info < (3, 11))"]
        return subprocess.run(check, capture_output=True).returncode == 0

    def _create(self) -> None:
        say("making the virtual environment .venv")
        if importlib.util.find_spec("venv") is None:
            raise SetupFailed(_ask_administrator("its Python has no venv module"))
        if self.folder.is_symlink():
            # What it leads to is another's: making it anew would take that away.
            self.folder.unlink()
        make = [sys.executable, "-m", "venv", "--clear", "--without-pip", str(self.folder)]
        subprocess.run(make, check=True)
        if importlib.util.find_spec("ensurepip") is not None:
            subprocess.run(
                [str(self.python), "-m", "ensurepip", "--upgrade", "--default-pip"],
                check=True,
                stdout=subprocess.DEVNULL,
            )
            return
        self._unpack_pip()

    def _unpack_pip(self) -> None:
        """Put Debian's pip into the environment, and have it fetch the pip that it is made from."""
        private = PrivatePackages(self.project / ".tools")
        places = (Path("/"), private.root)
        try:
            wheel = _first(places, PIP_WHEEL)
            if wheel is None:
                say("this Python has no pip: fetching Debian's into .tools")
                private.fetch([PIP_PACKAGE], alone=True)
                wheel = _first(places, PIP_WHEEL)
            assert wheel is not None, f"{PIP_PACKAGE} has no {PIP_WHEEL}"
            (packages,) = self.folder.glob("lib/python*/site-packages")
            with zipfile.ZipFile(wheel) as archive:
                archive.extractall(packages)
            if not AUTHORITIES_OF_DEBIAN.exists():
                # Debian's pip looks for the system's certificate authorities, and nowhere else.
                private.fetch([AUTHORITIES_PACKAGE], alone=True)
                authorities = sorted(private.root.glob("usr/share/ca-certificates/mozilla/*.crt"))
                bundle = private.folder / "authorities.pem"
                bundle.write_text("".join(each.read_text() for each in authorities))
                finder = packages / "pip/_vendor/certifi/core.py"
                finder.write_text(AUTHORITIES_FINDER.format(bundle=str(bundle)))
        except PackagesUnavailable as error:
            raise SetupFailed(_ask_administrator(str(error))) from error
        self._run_pip("install", "--upgrade", "--ignore-installed", "pip")

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


def _first(places: tuple[Path, ...], pattern: str) -> Path | None:
    """The first file of a pattern in the first of the places that has one."""
    return next((found for place in places for found in sorted(place.glob(pattern))), None)


def say(text: str) -> None:
    """Tell the user what is going on, before it takes its time."""
    print(f"local: {text}", file=sys.stderr, flush=True)


def _ask_administrator(why: str) -> str:
    return (
        f"No pip can be had for {sys.executable} ({why}): ask the administrator of this machine "
        "to run 'apt-get install python3-venv', then run this command again."
    )
