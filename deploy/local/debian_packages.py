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

    def fetch(self, packages: list[str], alone: bool = False) -> None:
        """Download and unpack packages, with what they need and the system lacks, or alone.

        Raises:
            PackagesUnavailable: no apt here, or apt cannot fetch them.
        """
        if shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
            raise PackagesUnavailable("this system has no apt-get")
        archives = self._cache / "archives"
        (self._state / "lists" / "partial").mkdir(parents=True, exist_ok=True)
        (archives / "partial").mkdir(parents=True, exist_ok=True)
        try:
            self._apt("update")
            if not alone:
                self._apt("install", "--download-only", "--no-install-recommends", *packages)
            # A package may count as installed although its program was taken away: the named
            # ones are fetched in any case.
            self._apt("download", *packages, folder=archives)
            self._unpack(sorted(archives.glob("*.deb")))
        finally:
            shutil.rmtree(self.folder / "apt")

    def _apt(self, *arguments: str, folder: Path | None = None) -> None:
        options = {
            "Dir::State": self._state,
            "Dir::State::status": INSTALLED_PACKAGES,
            "Dir::Cache": self._cache,
            "Dir::Cache::pkgcache": "",
            "Dir::Cache::srcpkgcache": "",
            "Dir::Log": self._state,
            "Debug::NoLocking": "true",
            "APT::Sandbox::User": "",
            "APT::Update::Post-Invoke-Success": "",
        }
        settings = [part for name, value in options.items() for part in ("-o", f"{name}={value}")]
        command = ["apt-get", "--quiet=2", "--yes", *settings, *arguments]
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
