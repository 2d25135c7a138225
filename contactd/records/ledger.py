"""The ledger: every fact, in the order in which it was learned, chained and never changed.

Several processes may append at once (the service and the command line): each append is one
transaction that takes the write lock first, so numbers run without gaps and each record is chained
to the one before it.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from contactd.core.backoff import Backoff
from contactd.core.errors import LedgerError
from contactd.core.record import Record
from contactd.records.verification import Verification

if TYPE_CHECKING:
    import sqlalchemy

    from contactd.records.archive import Archive
    from contactd.records.chain import Link

MOST_AT_ONCE = 10_000
MOST_READ_AT_ONCE = 10_000
READ_AT_ONCE = 1_000
ATTEMPTS = 4
_BACKOFF = Backoff(0.02, 0.08)
_CHANCE = random.Random()  # noqa: S311 - spreads waits, guards nothing
# Values in one IN (…) list; SQLite allows 32 766 parameters, older builds 999.
_LIST_AT_ONCE = 500

Result = TypeVar("Result")


class Ledger:
    """An open ledger. Threads may share it.

    Every method raises :class:`LedgerError` when the database cannot be used; its ``passing`` says
    whether trying again later may work.
    """

    def __init__(self, engine: sqlalchemy.Engine, name: str, archives: Path | None = None) -> None:
        from contactd.records import database
        from contactd.records.schema import archive_table, record_table

        self._archives = archives
        self._archive_table = archive_table
        self._engine = engine
        self._writer = engine.execution_options(writing=True)
        self._database = database
        self._table = record_table
        self._file = database.file_of(engine)
        self._identity = database.identity_of(self._file)
        self.name = name

    @classmethod
    def open(
        cls,
        url: str,
        *,
        create: bool = True,
        patience_s: float = 5.0,
        archives: Path | None = None,
    ) -> Ledger:
        """Open a ledger, bringing its tables up to date.

        Args:
            url: ``sqlite:///state/ledger.sqlite`` (relative) or ``sqlite:////var/…`` (absolute),
                ``sqlite://`` for one in memory, or ``postgresql://user@host/name``.
            create: make a file that is not there; otherwise that is an error.
            patience_s: how long one attempt waits for a lock or a connection.
            archives: folder of archives; None for one beside the file.

        Raises:
            LedgerError: if it cannot be opened, or was written by a newer version.
        """
        from contactd.records import database

        engine = database.open_engine(url, patience_s)
        name = engine.url.render_as_string(hide_password=True)
        file = database.file_of(engine)
        if file is not None:
            name = str(file)
            archives = archives or Path(f"{file}.archives")
            if not create and not file.exists():
                raise LedgerError(f"there is no ledger at {file}")
            try:
                file.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise LedgerError(
                    f"the ledger's folder {file.parent} cannot be made: {error.strerror}",
                    passing=True,
                ) from error
            database.keep_from_others(file)
        try:
            _patiently(lambda: database.bring_up_to_date(engine, name))
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, name, archives)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _reading(self) -> Iterator[sqlalchemy.Connection]:
        with self._database.meaning(self.name):
            self._see_to_the_file()
            with self._engine.connect() as connection:
                yield connection

    @contextmanager
    def _writing(self) -> Iterator[sqlalchemy.Connection]:
        """One transaction. What goes into a file that is taken away meanwhile is not written."""
        with self._database.meaning(self.name):
            self._see_to_the_file()
            with self._writer.begin() as connection:
                yield connection
            if self._database.identity_of(self._file) != self._identity:
                raise LedgerError(f"the file of the ledger {self.name} was taken away", True)

    def _see_to_the_file(self) -> None:
        """Notice that the file was moved or replaced: open files do not follow their names."""
        identity = self._database.identity_of(self._file)
        if identity == self._identity:
            return
        if identity is None:
            raise LedgerError(f"the file of the ledger {self.name} is gone: put it back", True)
        self._engine.dispose()
        self._database.bring_up_to_date(self._engine, self.name)
        self._identity = identity

    def lead(self, fence: int) -> None:
        """Bring the tables up to date, as whoever leads may.

        Raises:
            LeadLost: if the lead has been taken by somebody else since.
        """
        _patiently(lambda: self._database.bring_up_to_date(self._engine, self.name, fence))

    def append(self, records: Sequence[Record], fence: int | None = None) -> list[Record]:
        """Store records, all or none, in the order given; when it returns they are on the disk.

        A record whose identity is already stored is not stored again.

        Args:
            fence: store them only while this fence is in force; what people state needs none.

        Returns:
            the stored records, numbered, one for each given; for an identity that was already
            there, the record that was stored first.

        Raises:
            LeadLost: if another fence is in force.
            LedgerError: see the class; also for bodies that are no JSON or too large.
            ValueError: for more than ``MOST_AT_ONCE`` records.
        """
        from contactd.records.chain import body_text, check_texts

        if len(records) > MOST_AT_ONCE:
            raise ValueError(f"{len(records)} records at once; at most {MOST_AT_ONCE} are taken")
        if not records:
            return []
        for record in records:
            check_texts(record)
        bodies = [body_text(record.body) for record in records]
        return _patiently(lambda: self._append(records, bodies, fence))

    def _append(
        self, records: Sequence[Record], bodies: list[str], fence: int | None
    ) -> list[Record]:
        from contactd.records.chain import digest, read_body

        with self._writing() as connection:
            if connection.dialect.name == "postgresql":
                connection.exec_driver_sql("LOCK TABLE record IN EXCLUSIVE MODE")
                if fence is not None:
                    self._database.check_fence(connection, fence, self.name)
            number, before = self._end(connection)
            known = self._known(connection, {record.identity for record in records} - {""})
            stored: list[Record] = []
            rows: list[dict[str, Any]] = []
            for record, body in zip(records, bodies, strict=True):
                earlier = known.get(record.identity) if record.identity else None
                if earlier is not None:
                    stored.append(earlier)
                    continue
                number += 1
                new = replace(record, at=float(record.at), number=number, body=read_body(body))
                before = digest(new, body, before)
                if record.identity:
                    known[record.identity] = new
                stored.append(new)
                rows.append(_row(new, body, before))
            if rows:
                self._database.insert(connection, self._table, rows)
        return stored

    def _end(self, connection: sqlalchemy.Connection) -> tuple[int, str]:
        from contactd.records.chain import NO_DIGEST

        column = self._table.c
        last = connection.execute(
            self._table.select()
            .with_only_columns(column.number, column.digest)
            .order_by(column.number.desc())
            .limit(1)
        ).first()
        return (0, NO_DIGEST) if last is None else (int(last.number), str(last.digest))

    def _known(self, connection: sqlalchemy.Connection, identities: set[str]) -> dict[str, Record]:
        found: dict[str, Record] = {}
        wanted = sorted(identities)
        for first in range(0, len(wanted), _LIST_AT_ONCE):
            some = wanted[first : first + _LIST_AT_ONCE]
            rows = connection.execute(self._table.select().where(self._table.c.identity.in_(some)))
            for row in rows:
                found[row.identity] = _record(row)
        return found

    def since(self, number: int, limit: int = 1000) -> list[Record]:
        """The records in the table after ``number``, in order, at most ``limit`` of them.

        Of what is archived only that is among them which the present state rests on; for the whole
        history see :meth:`records`.
        """
        return [_record(row) for row in self._rows(number, limit)]

    def of_kind(self, kind: str) -> list[Record]:
        """The records of a kind in the table, in order; see :meth:`since` of what is archived."""
        column = self._table.c
        query = self._table.select().where(column.kind == kind).order_by(column.number)
        with self._reading() as connection:
            return [_record(row) for row in connection.execute(query)]

    def records(self, after: int = 0, until: int | None = None) -> Iterator[Record]:
        """All records after a number (and up to another), in order, from archives too."""
        for link in self.links(after):
            if until is not None and link.record.number > until:
                return
            yield link.record

    def links(self, after: int = 0, *, after_archives: bool = False) -> Iterator[Link]:
        """As :meth:`records`, with each record's place in the chain; or the table's part only."""
        from contactd.records.archive import read_archive
        from contactd.records.chain import NO_DIGEST, Link

        before: str | None = None
        for archive in self.archives():
            if archive.until_number < after:
                continue
            if not after_archives:
                for link in read_archive(self.archives_folder(), archive):
                    if link.record.number > after:
                        yield link
            after, before = archive.until_number, archive.digest
        if before is None:
            before = self._digest_of(after) if after else NO_DIGEST
        while rows := self._rows(after, READ_AT_ONCE):
            for row in rows:
                yield Link(_record(row), row.body, before, str(row.digest))
                before = str(row.digest)
            after = int(rows[-1].number)

    def read_all(self) -> None:
        """Read every record of the table once, so that what cannot be read is found now.

        Raises:
            LedgerError: if one cannot be read; see ``damaged``.
        """
        after = 0
        while rows := self._rows(after, MOST_READ_AT_ONCE):
            for row in rows:
                _record(row)
            after = int(rows[-1].number)

    def last_number(self) -> int:
        """Number of the last record; 0 for an empty ledger."""
        return self.end()[0]

    def end(self) -> tuple[int, str]:
        """Number and digest of the last record: noted elsewhere, they prove the chain's end."""
        with self._reading() as connection:
            return self._end(connection)

    def verify(self) -> Verification:
        """Read the whole chain, archives too, and check every number and digest."""
        from contactd.records.verification import verify

        return verify(self.links(), self._kept())

    def _kept(self) -> dict[int, Link]:
        """What is in the table although it is archived."""
        from contactd.records.chain import Link

        archives = self.archives()
        if not archives:
            return {}
        column = self._table.c
        query = self._table.select().where(column.number <= archives[-1].until_number)
        with self._reading() as connection:
            return {
                int(row.number): Link(_record(row), row.body, "", str(row.digest))
                for row in connection.execute(query)
            }

    def archives(self) -> list[Archive]:
        """The archives that are listed, oldest first."""
        from contactd.records.archive import Archive

        table = self._archive_table
        query = table.select().order_by(table.c.until_number)
        with self._reading() as connection:
            return [Archive(**row._mapping) for row in connection.execute(query)]

    def archives_folder(self) -> Path:
        """The folder of archives.

        Raises:
            LedgerError: if none was given for a ledger that is no file.
        """
        if self._archives is None:
            raise LedgerError(f"for the ledger {self.name} no folder of archives is configured")
        return self._archives

    def adopt_archive(self, archive: Archive, needed: Sequence[int]) -> None:
        """List an archive, and take its records out of the table but for the ``needed`` ones.

        Both happen in one transaction; the file must be complete and safe on the disk before.
        """
        column = self._table.c
        bounds = [archive.first_number - 1, *sorted(needed), archive.until_number + 1]
        with self._writing() as connection:
            self._database.take_time(connection)
            connection.execute(self._archive_table.insert(), asdict(archive))
            for last, following in pairwise(bounds):
                if following - last > 1:
                    between = (column.number > last) & (column.number < following)
                    connection.execute(self._table.delete().where(between))

    def _digest_of(self, number: int) -> str:
        column = self._table.c
        query = self._table.select().with_only_columns(column.digest).where(column.number == number)
        with self._reading() as connection:
            return str(connection.execute(query).scalar())

    def _rows(self, after: int, limit: int) -> list[Any]:
        limit = min(max(limit, 0), MOST_READ_AT_ONCE)
        column = self._table.c
        query = (
            self._table.select().where(column.number > after).order_by(column.number).limit(limit)
        )
        with self._reading() as connection:
            return list(connection.execute(query))


def _row(record: Record, body: str, digest: str) -> dict[str, Any]:
    return {
        "number": record.number,
        "at": record.at,
        "kind": record.kind,
        "subject": record.subject,
        "author": record.author,
        "identity": record.identity or None,
        "body": body,
        "digest": digest,
    }


def _record(row: Any, body: dict[str, Any] | None = None) -> Record:
    from contactd.records.chain import BrokenHistory, read_body

    if body is None:
        try:
            body = read_body(row.body)
        except ValueError:
            raise BrokenHistory(
                f"record {row.number} has been damaged: check with contactd ledger verify",
                damaged=True,
            ) from None
    return Record(
        at=row.at,
        kind=row.kind,
        subject=row.subject,
        author=row.author,
        body=body,
        identity=row.identity or "",
        number=row.number,
    )


def _patiently(attempt: Callable[[], Result]) -> Result:
    """Try a few times while the trouble is of the passing kind, with a short random wait."""
    for attempts in range(1, ATTEMPTS + 1):
        try:
            return attempt()
        except LedgerError as error:
            if not error.passing or attempts == ATTEMPTS:
                raise
            time.sleep(_BACKOFF.wait_s(attempts, _CHANCE.uniform))
    raise AssertionError("the last attempt returns or raises")
