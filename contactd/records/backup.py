"""Copies of an SQLite ledger: made while the service runs, verified, put back; and what to go on
from when a ledger is damaged.

Source: SQLite's online backup API (sqlite.org/backup.html) and ``PRAGMA quick_check``.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from contactd.core import instants
from contactd.core.errors import LedgerError
from contactd.core.record import Record
from contactd.records.chain import NO_DIGEST, Link, read_body
from contactd.records.ledger import MOST_AT_ONCE, Ledger
from contactd.records.verification import Verification

PAGES_AT_ONCE = 1000
_BESIDE = ("", "-wal", "-shm")


@dataclass(frozen=True, slots=True)
class Recovered:
    """What became of a damaged ledger.

    Attributes:
        aside: where the damaged file is kept.
        source: what the service goes on from, for people.
        number: of the last record that is known.
    """

    aside: Path
    source: str
    number: int


def back_up(file: Path, to: Path) -> Verification:
    """Copy a ledger, archives too, and verify the copy; the ledger may be written meanwhile.

    Args:
        file: the ledger's.
        to: the copy's; it must not exist yet.

    Raises:
        LedgerError: if it cannot be done, or the copy is not whole; then there is no copy.
    """
    if not file.is_file():
        raise LedgerError(f"there is no ledger at {file}")
    if to.exists():
        raise LedgerError(f"{to} exists already: give another name")
    part = to.with_name(f"{to.name}.part")
    with _errors(to):
        to.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        try:
            _copy(file, part)
            _copy_archives(file, to)
            found = _verified(part, archives_of(to))
            _sync(part)
            part.replace(to)
            _sync(to.parent)
        finally:
            for end in (*_BESIDE, "-journal"):
                Path(f"{part}{end}").unlink(missing_ok=True)
    return found


def restore(copy: Path, file: Path, why: str) -> tuple[Verification, Path | None]:
    """Put a copy in a ledger's place. No service may watch on it: hold its lock.

    Args:
        why: makes the name under which the present ledger is kept.

    Returns:
        what verifying the copy found; where the ledger that was there is kept, if there was one.

    Raises:
        LedgerError: if the copy is not whole, or it cannot be done; then nothing is changed.
    """
    if not copy.is_file():
        raise LedgerError(f"there is no copy at {copy}")
    part = file.with_name(f"{file.name}.part")
    with _errors(file):
        file.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        try:
            _copy(copy, part)
            found = _verified(part, archives_of(copy))
            _sync(part)
            aside = put_aside(file, f"before-restore-{why}")
            _copy_archives(copy, file)
            part.replace(file)
            _sync(file.parent)
        finally:
            for end in (*_BESIDE, "-journal"):
                Path(f"{part}{end}").unlink(missing_ok=True)
    return found, aside


def put_aside(file: Path, why: str) -> Path | None:
    """Rename a ledger and what lies beside it; its new name, or None if there is none."""
    if not file.exists():
        return None
    aside = file.with_name(f"{file.name}.{why}")
    for end in _BESIDE:
        with contextlib.suppress(FileNotFoundError):
            Path(f"{file}{end}").rename(f"{aside}{end}")
    return aside


def stamp(now: float) -> str:
    """An instant (s) as part of a file's name; names are in the order of time."""
    return instants.to_text(now, 0).replace("-", "").replace(":", "")


def name_of(now: float) -> str:
    """The name of a copy that is made at an instant (s)."""
    return f"ledger-{stamp(now)}.sqlite"


def copies_in(folder: Path) -> list[Path]:
    """The copies in a folder, newest first by their names."""
    return sorted(folder.glob("ledger-*.sqlite"), reverse=True)


def damage_of(file: Path) -> str:
    """What is wrong with a ledger's file; "" if nothing is, or it cannot be looked at now."""
    try:
        uri = f"{file.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=1.0)) as connection:
            (said,) = connection.execute("PRAGMA quick_check(1)").fetchone()
            connection.execute("SELECT number, digest FROM record ORDER BY number DESC LIMIT 100")
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", None) or 0
        damaged = code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
        return str(error) if damaged else ""
    return "" if said == "ok" else str(said)


def recover(file: Path, copies: Sequence[Path], why: str) -> Recovered:
    """Keep a damaged ledger aside, and make one of what can be known: of it, or of a copy of it.

    What can still be read of the damaged file, from its first record on and each as it was stored,
    is compared with the newest copy that is whole; the longer history is gone on from.

    Raises:
        LedgerError: if no new ledger can be made.
    """
    aside = put_aside(file, f"damaged-{why}")
    assert aside is not None, "only a ledger that is there can be damaged"
    source, kept = "nothing: no record could be read", list[Record]()
    readable = _readable(aside, archives_of(file))
    if readable:
        source, kept = f"what can be read of it, up to record {readable[-1].number}", readable
    for copy in copies:
        if damage_of(copy):
            continue
        copied = _readable(copy, archives_of(copy))
        if copied and (not kept or copied[-1].number > kept[-1].number):
            source, kept = f"the copy {copy}", copied
        break
    with Ledger.open(f"sqlite:///{file}") as ledger:
        for first in range(0, len(kept), MOST_AT_ONCE):
            ledger.append(kept[first : first + MOST_AT_ONCE])
    return Recovered(aside, source, kept[-1].number if kept else 0)


def _readable(file: Path, archives: Path) -> list[Record]:
    """The records of a file, from the first one on, as far as each is as it was stored."""
    found: list[Record] = []
    links = _archived_links(file, archives) if archives.is_dir() else _links(file)
    with contextlib.suppress(LedgerError, sqlite3.Error, ValueError):
        for link in links:
            if not link.is_genuine or link.record.number != len(found) + 1:
                break
            found.append(link.record)
    return found


def _archived_links(file: Path, archives: Path) -> Iterator[Link]:
    with Ledger.open(f"sqlite:///{file}", create=False, archives=archives) as ledger:
        yield from ledger.links()


def _links(file: Path) -> Iterator[Link]:
    """The records in a file's table, one by one, up to the first that cannot be read."""
    columns = "number, at, kind, subject, author, identity, body, digest"
    query = f"SELECT {columns} FROM record ORDER BY number"  # noqa: S608 - all constant
    before = NO_DIGEST
    with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        for number, at, kind, subject, author, identity, body, own in connection.execute(query):
            record = Record(at, kind, subject, author, read_body(body), identity or "", number)
            yield Link(record, body, before, own)
            before = own


def archives_of(file: Path) -> Path:
    """Where the archives of a ledger's file lie."""
    return Path(f"{file}.archives")


def _copy(file: Path, to: Path) -> None:
    with (
        closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as source,
        closing(sqlite3.connect(to)) as made,
    ):
        source.backup(made, pages=PAGES_AT_ONCE)
        made.execute("PRAGMA journal_mode=DELETE")


def _copy_archives(file: Path, to: Path) -> None:
    source, target = archives_of(file), archives_of(to)
    if not source.is_dir():
        return
    target.mkdir(parents=True, exist_ok=True)
    for each in sorted(source.glob("*.jsonl.gz")):
        if not (target / each.name).exists():
            shutil.copy2(each, target / each.name)


def _verified(file: Path, archives: Path) -> Verification:
    with Ledger.open(f"sqlite:///{file}", create=False, archives=archives) as ledger:
        found = ledger.verify()
    if not found.intact:
        fault = found.faults[0]
        raise LedgerError(f"the copy is not whole: record {fault.number}: {fault.what}")
    return found


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def _errors(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise LedgerError(f"{path}: {error}") from error
    except OSError as error:
        raise LedgerError(f"{path}: {error.strerror or error}") from error
