"""Noticing that configuration files changed, cheaply enough to look every second.

A look compares names, sizes, inodes and the dates of content and inode (the latter cannot be set
back by whoever edits a file), and reads nothing. A change is told
once it has held still for one more look, so that a file is not read while it is being written; a
folder that never holds still is told all the same after a few looks.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from contactd.config.files import is_scrap

MOST_DEPTH = 4
MOST_ENTRIES = 200_000
MOST_RESTLESS_LOOKS = 5

Fingerprint = frozenset[tuple[str, int, int, int, int]]


def fingerprint(directory: Path, others: Iterable[Path] = ()) -> Fingerprint:
    """What can be seen of all files below a folder, and of others, without reading them.

    Args:
        directory: the configuration's folder; dotfiles and editors' scraps in it do not count.
        others: files that the configuration refers to (``Configuration.files``); those that lie
            in the folder are looked at once.
    """
    seen: dict[str, tuple[str, int, int, int, int]] = {}
    folders = [(str(directory), 0)]
    while folders:
        folder, depth = folders.pop()
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    if is_scrap(entry.name) or len(seen) >= MOST_ENTRIES:
                        continue
                    if entry.is_dir() and depth < MOST_DEPTH:
                        folders.append((entry.path, depth + 1))
                    else:
                        seen[entry.path] = _seen(entry.path)
        except OSError:
            continue  # it is being replaced, or it is gone: the next look will tell
    for path in map(str, others):
        if path not in seen:
            seen[path] = _seen(path)
    return frozenset(seen.values())


def _seen(path: str) -> tuple[str, int, int, int, int]:
    try:
        found = os.stat(path)
    except OSError:
        return path, -1, 0, 0, 0
    return path, found.st_size, found.st_mtime_ns, found.st_ino, found.st_ctime_ns


class FileWatch:
    """Says when the files have changed and hold still.

    Args:
        directory: the configuration's folder.
        others: files outside it that the configuration in force refers to.
    """

    def __init__(self, directory: Path, others: Iterable[Path] = ()) -> None:
        self._directory = directory
        self._others = tuple(others)
        self._told = fingerprint(directory, self._others)
        self._last = self._told
        self._restless = 0

    def look(self) -> bool:
        """Whether the files differ from those last told, and no longer change. Once a change."""
        present = fingerprint(self._directory, self._others)
        still, self._last = present == self._last, present
        if present == self._told:
            self._restless = 0
            return False
        self._restless += 1
        if not still and self._restless < MOST_RESTLESS_LOOKS:
            return False
        self._told, self._restless = present, 0
        return True

    def refer_to(self, others: Iterable[Path]) -> None:
        """Watch the files that a newly loaded configuration refers to."""
        known, self._others = set(self._others), tuple(others)
        # Only what is newly watched is looked at: a change of the rest since the files were read
        # must not be missed.
        present = {each[0] for each in self._told}
        dropped = {str(path) for path in known - set(self._others) if not self._holds(path)}
        added = {_seen(str(path)) for path in self._others if str(path) not in present}
        self._told = frozenset(each for each in self._told if each[0] not in dropped) | added
        self._last = self._told

    def _holds(self, path: Path) -> bool:
        return path.is_relative_to(self._directory)
