"""Old records in files beside the ledger, so that it does not grow without end.

Nothing is deleted silently: records go into a file (gzip of JSON lines, one canonical envelope with
its digest a line, RFC 8785), the file is read back and checked against the chain, then it is listed
in the ledger, and only then the records leave the table, in the same transaction. What the present
state still rests on stays in the table too. The chain runs through the files into the table, and
the whole history can be read as long as the files are there.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from contactd.core.errors import LedgerError
from contactd.core.record import Record
from contactd.records.chain import BrokenHistory, Link, line, read_line

LEAST_AGE_S = 7 * 86_400.0
"""Younger records are not archived: until then the service may still look for what it said."""
MOST_LINE_BYTES = 8_000_000


@dataclass(frozen=True, slots=True)
class Archive:
    """An archive as the ledger lists it.

    Attributes:
        first_number, until_number: of the records in it.
        digest: of its last record.
        file: its name in the folder of archives.
        sha256: of the file.
    """

    first_number: int
    until_number: int
    at: float
    digest: str
    file: str
    sha256: str


class Archiving(Protocol):
    """What a ledger must give for its old records to be archived."""

    def archives_folder(self) -> Path:
        """The folder of archives; :class:`LedgerError` if there is none."""
        ...

    def links(self, after: int = 0, *, after_archives: bool = False) -> Iterator[Link]:
        """The records with their places in the chain; or the table's part only."""
        ...

    def adopt_archive(self, archive: Archive, kept: Sequence[int]) -> None:
        """List an archive, and take its records out of the table but for those that stay."""
        ...


@dataclass(frozen=True, slots=True)
class Archived:
    """What archiving did: the new archive or None, and how many of its records stayed."""

    archive: Archive | None
    kept: int = 0


def archive_until(
    ledger: Archiving,
    before: float,
    now: float,
    is_needed: Callable[[Record], bool],
) -> Archived:
    """Archive all records up to the first that was made at ``before`` or later.

    Args:
        before: instant (s), at least ``LEAST_AGE_S`` before ``now``.
        is_needed: whether the present state rests on a record, so that it stays in the table.

    Raises:
        LedgerError: if the chain is broken, or a file cannot be written; then nothing is changed.
        ValueError: if ``before`` is too young.
    """
    if before > now - LEAST_AGE_S:
        raise ValueError("records younger than seven days are not archived")
    folder = ledger.archives_folder()
    part = folder / "archive.part"
    with _file_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
        written = _write(part, _older(ledger.links(after_archives=True), before), is_needed)
        if written is None:
            part.unlink()
            return Archived(None)
        first, last, needed = written
        name = f"records-{first.record.number:012d}-{last.record.number:012d}.jsonl.gz"
        _check(part, first.record.number, last)
        sha256 = _sha256(part)
        part.replace(folder / name)
        _sync_folder(folder)
    made = Archive(first.record.number, last.record.number, now, last.digest, name, sha256)
    ledger.adopt_archive(made, needed)
    return Archived(made, len(needed))


def _older(links: Iterable[Link], before: float) -> Iterator[Link]:
    for link in links:
        if link.record.at >= before:
            return
        yield link


def _write(
    part: Path, links: Iterable[Link], is_needed: Callable[[Record], bool]
) -> tuple[Link, Link, list[int]] | None:
    first: Link | None = None
    last: Link | None = None
    needed: list[int] = []
    with part.open("wb") as raw:
        with gzip.GzipFile(fileobj=raw, mode="wb", mtime=0, filename="") as out:
            for link in links:
                if not link.is_genuine or (last is not None and link.before != last.digest):
                    raise LedgerError(
                        f"record {link.record.number} is not what was stored: nothing is archived; "
                        "check with contactd ledger verify"
                    )
                out.write(line(link.record, link.body, link.before, link.digest) + b"\n")
                first, last = first or link, link
                if is_needed(link.record):
                    needed.append(link.record.number)
        raw.flush()
        os.fsync(raw.fileno())
    if first is None or last is None:
        return None
    # The end of the chain stays where the next record is chained to it.
    return first, last, sorted({*needed, last.record.number})


def _check(part: Path, first_number: int, last: Link) -> None:
    """Read the file back, as whoever needs it will."""
    number, before = first_number - 1, None
    for link in read_file(part):
        if link.record.number != number + 1 or not link.is_genuine:
            raise LedgerError(f"{part} does not hold what was written to it")
        if before is not None and link.before != before:
            raise LedgerError(f"{part} does not hold what was written to it")
        number, before = link.record.number, link.digest
    if (number, before) != (last.record.number, last.digest):
        raise LedgerError(f"{part} does not hold what was written to it")


def read_archive(folder: Path, archive: Archive) -> Iterator[Link]:
    """The records of an archive, in order.

    Raises:
        LedgerError: if the file is not there, or is not the one that was listed.
    """
    file = folder / archive.file
    with _file_errors(folder):
        if not file.is_file():
            raise BrokenHistory(
                f"the archive {file} is not there: put it back to read what is in it"
            )
        if _sha256(file) != archive.sha256:
            raise BrokenHistory(f"the archive {file} has been changed: put the right one back")
    yield from read_file(file)


def read_file(file: Path) -> Iterator[Link]:
    """The records of an archive's file, in order, whether or not a ledger lists it.

    Raises:
        LedgerError: if it cannot be read, or holds anything else.
    """
    number = 0
    try:
        with gzip.open(file, "rb") as lines:
            while text := lines.readline(MOST_LINE_BYTES):
                number += 1
                yield read_line(text)
    except (OSError, EOFError, ValueError) as error:
        raise BrokenHistory(f"the archive {file} cannot be read, line {number}: {error}") from error


def _sha256(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _sync_folder(folder: Path) -> None:
    """See that a new name in a folder survives the loss of power."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def _file_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise LedgerError(
            f"the folder of archives {folder} cannot be used: {error.strerror or error}", True
        ) from error
