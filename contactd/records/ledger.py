"""The ledger: every fact, in the order in which it was learned, chained and never changed.

Several processes may append at once (the service and the command line): each append is one
transaction that takes the write lock first, so numbers run without gaps and each record is chained
to the one before it.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

from contactd.core.errors import LedgerError
from contactd.core.record import Record

if TYPE_CHECKING:
    import sqlalchemy

MOST_AT_ONCE = 10_000
MOST_READ_AT_ONCE = 10_000
MOST_FAULTS = 20
ATTEMPTS = 4
# Values in one IN (…) list; SQLite allows 32 766 parameters, older builds 999.
_LIST_AT_ONCE = 500

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class ChainFault:
    """A record that is not what was stored. ``number`` says where, ``what`` says how."""

    number: int
    what: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What checking the whole chain found.

    Attributes:
        records: how many records were read.
        number, digest: of the last good record; noted elsewhere, they prove the end of the chain.
        faults: the first faults found, at most ``MOST_FAULTS``.
    """

    records: int
    number: int
    digest: str
    faults: tuple[ChainFault, ...] = ()

    @property
    def intact(self) -> bool:
        """Whether every record is what was stored."""
        return not self.faults


class Ledger:
    """An open ledger. Threads may share it.

    Every method raises :class:`LedgerError` when the database cannot be used; its ``passing`` says
    whether trying again later may work.
    """

    def __init__(self, engine: sqlalchemy.Engine, name: str) -> None:
        from contactd.records import database
        from contactd.records.schema import record_table

        self._engine = engine
        self._writer = engine.execution_options(writing=True)
        self._meaning = database.meaning
        self._table = record_table
        self.name = name

    @classmethod
    def open(cls, url: str, *, create: bool = True, patience_s: float = 5.0) -> Ledger:
        """Open a ledger, bringing its tables up to date.

        Args:
            url: ``sqlite:///state/ledger.sqlite`` (relative) or ``sqlite:////var/…`` (absolute),
                ``sqlite://`` for one in memory, or ``postgresql://user@host/name``.
            create: make a file that is not there; otherwise that is an error.
            patience_s: how long one attempt waits for a lock or a connection.

        Raises:
            LedgerError: if it cannot be opened, or was written by a newer version.
        """
        from pathlib import Path

        from contactd.records import database

        engine = database.open_engine(url, patience_s)
        name = engine.url.render_as_string(hide_password=True)
        file = engine.url.database if engine.url.get_backend_name() == "sqlite" else None
        if file and file != ":memory:":
            name = file
            if not create and not Path(file).exists():
                raise LedgerError(f"there is no ledger at {file}")
            try:
                Path(file).parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise LedgerError(
                    f"the ledger's folder {Path(file).parent} cannot be made: {error.strerror}",
                    passing=True,
                ) from error
        try:
            _patiently(lambda: database.bring_up_to_date(engine, name))
        except LedgerError:
            engine.dispose()
            raise
        return cls(engine, name)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def append(self, records: Sequence[Record]) -> list[Record]:
        """Store records, all or none, in the order given; when it returns they are on the disk.

        A record whose identity is already stored is not stored again.

        Returns:
            the stored records, numbered, one for each given; for an identity that was already
            there, the record that was stored first.

        Raises:
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
        return _patiently(lambda: self._append(records, bodies))

    def _append(self, records: Sequence[Record], bodies: list[str]) -> list[Record]:
        from contactd.records.chain import digest, read_body

        with self._meaning(self.name), self._writer.begin() as connection:
            if connection.dialect.name == "postgresql":
                connection.exec_driver_sql("LOCK TABLE record IN EXCLUSIVE MODE")
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
                connection.execute(self._table.insert(), rows)
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
        """The records after ``number``, in order, at most ``limit`` of them."""
        return [_record(row) for row in self._rows(number, limit)]

    def records(self, after: int = 0, until: int | None = None) -> Iterator[Record]:
        """All records after a number (and up to another), in order, read a thousand at a time."""
        while True:
            some = self.since(after)
            for record in some:
                if until is not None and record.number > until:
                    return
                yield record
            if not some:
                return
            after = some[-1].number

    def last_number(self) -> int:
        """Number of the last record; 0 for an empty ledger."""
        with self._meaning(self.name), self._engine.connect() as connection:
            return self._end(connection)[0]

    def verify(self) -> Verification:
        """Read the whole chain and check every number and digest."""
        from contactd.records.chain import NO_DIGEST, digest

        count, number, before = 0, 0, NO_DIGEST
        good = (0, NO_DIGEST)
        faults: list[ChainFault] = []
        while True:
            rows = self._rows(number, MOST_READ_AT_ONCE)
            if not rows:
                return Verification(count, good[0], good[1], tuple(faults))
            for row in rows:
                count += 1
                expected = number + 1
                number = int(row.number)
                if number != expected:
                    faults.append(ChainFault(number, f"record {expected} is not there"))
                elif digest(_record(row, body={}), row.body, before) != row.digest:
                    faults.append(
                        ChainFault(number, "the record, or the one before it, has been changed")
                    )
                elif not faults:
                    good = (number, str(row.digest))
                before = str(row.digest)
                if len(faults) >= MOST_FAULTS:
                    return Verification(count, good[0], good[1], tuple(faults))

    def _rows(self, after: int, limit: int) -> list[Any]:
        limit = min(max(limit, 0), MOST_READ_AT_ONCE)
        column = self._table.c
        query = (
            self._table.select().where(column.number > after).order_by(column.number).limit(limit)
        )
        with self._meaning(self.name), self._engine.connect() as connection:
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
    from contactd.records.chain import read_body

    if body is None:
        try:
            body = read_body(row.body)
        except ValueError:
            raise LedgerError(
                f"record {row.number} has been damaged: check with contactd ledger verify"
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
    for left in range(ATTEMPTS - 1, -1, -1):
        try:
            return attempt()
        except LedgerError as error:
            if not error.passing or not left:
                raise
            time.sleep(random.uniform(0.01, 0.05))  # noqa: S311 - spreads waits, guards nothing
    raise AssertionError("the last attempt returns or raises")
