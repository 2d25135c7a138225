"""The real programs that tests run contactd against, and where they are.

A program that the system has is used as it is. What is missing is unpacked from Debian's
packages into ``.tools`` (for root: ``/var/cache/contactd-dev``). No root is needed, no service is
started, nothing of the system is changed.
"""

from __future__ import annotations

import os
import shutil
import stat
from dataclasses import dataclass
from pathlib import Path

from debian_packages import PrivatePackages

PROJECT = Path(__file__).resolve().parents[2]
# What root runs as another user (PostgreSQL refuses root) must lie where others may look, and
# root's own folder is no such place.
TOOLS = PROJECT / ".tools" if os.geteuid() else Path("/var/cache/contactd-dev")


@dataclass(frozen=True)
class OutsideProgram:
    """Where a program comes from.

    Attributes:
        package: the Debian package that has it.
        places: patterns under ``/`` (or the folder of unpacked packages), the newest match counts.
        also: more packages that it is of no use without.
        data: a folder that the program looks for under its full name only.
    """

    package: str
    places: tuple[str, ...]
    also: tuple[str, ...] = ()
    data: str = ""


PROGRAMS = {
    "prometheus": OutsideProgram("prometheus", ("usr/bin/prometheus",)),
    "promtool": OutsideProgram("prometheus", ("usr/bin/promtool",)),
    "alertmanager": OutsideProgram(
        "prometheus-alertmanager",
        ("usr/bin/prometheus-alertmanager",),
        data="usr/share/prometheus/alertmanager",
    ),
    "amtool": OutsideProgram("prometheus-alertmanager", ("usr/bin/amtool",)),
    "mosquitto": OutsideProgram("mosquitto", ("usr/sbin/mosquitto",)),
    "initdb": OutsideProgram("postgresql", ("usr/lib/postgresql/*/bin/initdb",)),
    "postgres": OutsideProgram("postgresql", ("usr/lib/postgresql/*/bin/postgres",)),
    # Not a program but a library that lets another program see another time.
    "libfaketime": OutsideProgram("libfaketime", ("usr/lib/*/faketime/libfaketime.so.1",)),
    "nginx": OutsideProgram("nginx-light", ("usr/sbin/nginx",)),
    "systemd-analyze": OutsideProgram("systemd", ("usr/bin/systemd-analyze",)),
    "systemd-socket-activate": OutsideProgram("systemd", ("usr/bin/systemd-socket-activate",)),
    "chromium": OutsideProgram(
        "chromium", ("usr/lib/chromium/chromium",), also=("fonts-dejavu-core",)
    ),
}


def find(name: str) -> Path | None:
    """Path of a program: the system's own, or a starter for an unpacked one."""
    program = PROGRAMS[name]
    system = _newest(Path("/"), program)
    if system is not None:
        return system
    unpacked = _newest(TOOLS / "root", program)
    if unpacked is None or unpacked.suffix == ".1":
        return unpacked
    return _starter(name, unpacked)


def missing() -> list[str]:
    """Names of the programs that are not to be found."""
    return [name for name in PROGRAMS if find(name) is None]


def provide() -> None:
    """Fetch what is missing.

    Raises:
        PackagesUnavailable: Debian's packages cannot be had here.
    """
    wanted = [PROGRAMS[name] for name in missing()]
    packages = {package for each in wanted for package in (each.package, *each.also)}
    if packages:
        PrivatePackages(TOOLS).fetch(sorted(packages))


def _newest(root: Path, program: OutsideProgram) -> Path | None:
    found = [path for place in program.places for path in sorted(root.glob(place))]
    usable = [path for path in found if path.suffix == ".1" or os.access(path, os.X_OK)]
    return usable[-1] if usable else None


def _starter(name: str, unpacked: Path) -> Path:
    """A script that starts the program with the libraries and fonts unpacked beside it."""
    root = TOOLS / "root"
    folders = [*root.glob("usr/lib/*-linux-gnu*"), *root.glob("lib/*-linux-gnu*")]
    folders += [each for folder in folders for each in (folder / "systemd", folder / "pulseaudio")]
    libraries = ":".join(str(folder) for folder in folders if folder.is_dir())
    fonts = _font_settings(root)
    data = PROGRAMS[name].data
    if data:
        unpacked = _looking_here(unpacked, data)
    text = (
        "#!/bin/sh\n"
        f'LD_LIBRARY_PATH="{libraries}${{LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}}"\n'
        "export LD_LIBRARY_PATH\n"
        + (f'FONTCONFIG_FILE="{fonts}"\nexport FONTCONFIG_FILE\n' if fonts else "")
        + (f'cd "{root / data}" || exit 1\n' if data else "")
        + f'exec "{unpacked}" "$@"\n'
    )
    starter = TOOLS / "bin" / name
    _write(starter, text.encode(), executable=True)
    return starter


def _looking_here(unpacked: Path, data: str) -> Path:
    """A copy of a program that looks for its data in the folder in which it is started.

    The folder's name is compiled in; here it gives way to one of the same length.
    """
    copy = TOOLS / "changed" / unpacked.name
    if not copy.exists():
        name = f"/{data}".encode()
        here = (b"./" * len(name))[: len(name) - 1] + b"/"
        _write(copy, unpacked.read_bytes().replace(name, here), executable=True)
    return copy


def _write(path: Path, content: bytes, executable: bool = False) -> None:
    """Write a file in one step, unless it is there already."""
    if path.exists() and path.read_bytes() == content:
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_suffix(f".{os.getpid()}")
    draft.write_bytes(content)
    if executable:
        draft.chmod(draft.stat().st_mode | stat.S_IXUSR | stat.S_IXGRP | stat.S_IXOTH)
    draft.replace(path)


def _font_settings(root: Path) -> Path | None:
    fonts = root / "usr/share/fonts"
    if not fonts.is_dir() or shutil.which("fc-match"):
        return None
    settings = TOOLS / "fonts.conf"
    text = (
        '<?xml version="1.0"?>\n<!DOCTYPE fontconfig SYSTEM "fonts.dtd">\n'
        f"<fontconfig><dir>{fonts}</dir><cachedir>{TOOLS / 'font-cache'}</cachedir></fontconfig>\n"
    )
    _write(settings, text.encode())
    return settings
