"""Debian packages without root: downloaded and unpacked in a folder, the system left alone.

apt is given its own lists, cache and state, but the machine's own sources and its list of
installed packages, so that only what is really missing is fetched, from where the machine's
administrator wants it fetched. No maintainer script runs and nothing starts.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

INSTALLED_PACKAGES = Path("/var/lib/dpkg/status")


class PackagesUnavailable(Exception):
    """Debian packages cannot be had here; the message says why."""


class PrivatePackages:
    """Packages unpacked under ``folder / "root"``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.root = folder / "root"
        self._state = folder / "apt" / "state"
        self._cache = folder / "apt" / "cache"

    def fetch(self, packages: list[str]) -> None:
        """Download the packages with all that they need and is not installed; unpack them.

        Raises:
            PackagesUnavailable: no apt here, or apt cannot fetch them.
        """
        self._prepare()
        self._apt("install", "--download-only", "--yes", "--no-install-recommends", *packages)
        archives = sorted((self._cache / "archives").glob("*.deb"))
        self._unpack(archives)
        # The machine's list calls a package installed that was since unpacked only here, or was
        # removed by hand: the named ones are unpacked in any case.
        self.fetch_alone(packages)

    def fetch_alone(self, packages: list[str]) -> None:
        """Download just these packages, without what they depend on; unpack them.

        Raises:
            PackagesUnavailable: no apt here, or apt cannot fetch them.
        """
        self._prepare()
        downloads = self._cache / "alone"
        downloads.mkdir(parents=True, exist_ok=True)
        self._apt("download", *packages, folder=downloads)
        self._unpack(sorted(downloads.glob("*.deb")))

    def _prepare(self) -> None:
        if shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
            raise PackagesUnavailable("this system has no apt-get")
        if self._state.exists():
            return
        (self._state / "lists" / "partial").mkdir(parents=True)
        (self._cache / "archives" / "partial").mkdir(parents=True)
        try:
            self._apt("update")
        except PackagesUnavailable:
            shutil.rmtree(self._state)
            raise

    def _apt(self, *arguments: str, folder: Path | None = None) -> None:
        options = {
            "Dir::State": self._state,
            "Dir::State::status": INSTALLED_PACKAGES,
            "Dir::Cache": self._cache,
            "Dir::Log": self._state,
            "Debug::NoLocking": "true",
            "APT::Sandbox::User": "",
            "APT::Update::Post-Invoke-Success": "",
        }
        settings = [part for name, value in options.items() for part in ("-o", f"{name}={value}")]
        command = ["apt-get", "--quiet=2", *settings, *arguments]
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, stdin=subprocess.DEVNULL
        )
        if done.returncode:
            lines = (done.stderr or done.stdout).strip().splitlines()
            raise PackagesUnavailable(f"apt-get {arguments[0]}: {' '.join(lines[-3:])}")

    def _unpack(self, archives: list[Path]) -> None:
        self.root.mkdir(parents=True, exist_ok=True)
        for archive in archives:
            command = ["dpkg-deb", "--extract", str(archive), str(self.root)]
            subprocess.run(command, check=True)
            archive.unlink()
