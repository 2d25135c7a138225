"""Reading files with bounds, and knowing again whether they changed."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from dataclasses import dataclass, field
from pathlib import Path

MOST_TRIES = 5


@dataclass(frozen=True, slots=True)
class FileState:
    """What a file was when it was read.

    Attributes:
        digest: SHA-256 of its bytes, hexadecimal; "" if it could not be read.
    """

    size: int = -1
    mtime_ns: int = 0
    inode: int = 0
    ctime_ns: int = 0
    digest: str = ""


@dataclass(frozen=True, slots=True)
class FileAccess:
    """Who may read a file: its mode (permission bits) and its owner's name, or number."""

    mode: int
    owner: str

    def __str__(self) -> str:
        return f"mode {self.mode:04o}, owner {self.owner}"

    @property
    def others_read(self) -> bool:
        """Whether anybody on the machine may read it."""
        return bool(self.mode & stat.S_IROTH)


def access_of(path: Path) -> FileAccess | None:
    """Who may read a file; None if that cannot be known."""
    import pwd

    try:
        found = path.stat()
    except OSError:
        return None
    try:
        owner = pwd.getpwuid(found.st_uid).pw_name
    except KeyError:
        owner = str(found.st_uid)
    return FileAccess(stat.S_IMODE(found.st_mode), owner)


class Unreadable(Exception):
    """A file cannot be read; the text says what was found instead."""


@dataclass(slots=True)
class Reader:
    """Reads files whole and remembers each one's state, also of those that are not there.

    Attributes:
        kept: bytes that stand for those of a file.
    """

    states: dict[Path, FileState] = field(default_factory=dict)
    kept: dict[Path, bytes] = field(default_factory=dict)

    def read(self, path: Path, most_bytes: int) -> bytes:
        """The file's bytes.

        Raises:
            Unreadable: if it is missing, no regular file, too long, or written to all the while.
        """
        self.states[path] = FileState()
        if path in self.kept:
            data = self.kept[path]
            self.states[path] = FileState(digest=hashlib.sha256(data).hexdigest())
            return data
        try:
            for _ in range(MOST_TRIES):
                data, before, after = _read_once(path, most_bytes)
                if before == after and before[0] == len(data):
                    self.states[path] = FileState(*before, hashlib.sha256(data).hexdigest())
                    return data
        except OSError as error:
            raise Unreadable(_reason(error)) from None
        raise Unreadable("a file that is being written")


def _read_once(path: Path, most_bytes: int) -> tuple[bytes, _Stat, _Stat]:
    # Without O_NONBLOCK, opening a pipe would wait for a writer for ever.
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        first = os.fstat(handle)
        if not stat.S_ISREG(first.st_mode):
            raise Unreadable("a folder" if stat.S_ISDIR(first.st_mode) else "no regular file")
        if first.st_size > most_bytes:
            raise Unreadable(f"{first.st_size:,} bytes; at most {most_bytes:,} are read")
        with os.fdopen(handle, "rb", closefd=False) as file:
            data = file.read(most_bytes + 1)
        return data, _stat_of(first), _stat_of(os.fstat(handle))
    finally:
        os.close(handle)


_Stat = tuple[int, int, int, int]


def _stat_of(found: os.stat_result) -> _Stat:
    return found.st_size, found.st_mtime_ns, found.st_ino, found.st_ctime_ns


def _reason(error: OSError) -> str:
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return "no such file"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "a file that may not be read (permission denied)"
    return f"a file that cannot be read ({os.strerror(error.errno or 0)})"


def is_scrap(name: str) -> bool:
    """Whether a name is an editor's or a copier's, not an operator's."""
    return (
        name.startswith((".", "#"))
        or name.endswith(("~", ".swp", ".swx", ".tmp", ".part", ".bak", ".orig", ".rej"))
        or name == "4913"  # written by a common editor to try whether the folder is writable
    )


def yaml_files(folder: Path) -> list[Path]:
    """The YAML files directly in a folder, by name; none if there is no such folder.

    Raises:
        Unreadable: if the folder cannot be listed.
    """
    try:
        with os.scandir(folder) as entries:
            names = [each.name for each in entries]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise Unreadable(_reason(error).replace("file", "folder")) from None
    return [
        folder / name
        for name in sorted(names)
        if name.lower().endswith((".yaml", ".yml")) and not is_scrap(name)
    ]
