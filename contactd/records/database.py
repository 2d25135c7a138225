"""The database under the ledger: engine, durability, migrations, and what its errors mean."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql
from sqlalchemy.engine import URL, make_url

from contactd.core.errors import LeadLost, LedgerError, NewerLedger
from contactd.records.schema import NEWEST, lease_table

MIGRATIONS = Path(__file__).parent / "migrations"
# Any fixed number will do, as long as every version of the program uses the same.
_UPGRADE_LOCK = 0x636F6E7461637464
# Whoever stands still within a transaction (a process that hangs, a network that is cut) would keep
# the ledger locked for all others: the server ends such a session.
IDLE_IN_TRANSACTION_S = 2.0
# While it changes tables or takes out old records the server may say nothing for long.
_LONGEST_SILENCE_S = 3600.0

_MEANINGS = {
    sqlite3.SQLITE_BUSY: ("another process holds it locked", True),
    sqlite3.SQLITE_LOCKED: ("another process holds it locked", True),
    sqlite3.SQLITE_FULL: ("the disk is full: make room", True),
    sqlite3.SQLITE_READONLY: ("its file or disk is read-only: make it writable", True),
    sqlite3.SQLITE_IOERR: ("the disk reports an error: look at the system log", True),
    sqlite3.SQLITE_CANTOPEN: ("its file cannot be opened: look at the folder's rights", True),
    sqlite3.SQLITE_PERM: ("its file may not be opened: look at the rights", True),
    sqlite3.SQLITE_CORRUPT: ("its file is damaged: put back a copy or an export", False),
    sqlite3.SQLITE_NOTADB: ("its file is not a ledger", False),
}


def open_engine(url: str, patience_s: float) -> sa.Engine:
    """Engine for a ledger's URL (``sqlite:///path``, ``sqlite://`` in memory, ``postgresql://…``).

    Raises:
        LedgerError: if the URL cannot be understood or its driver is not installed.
    """
    try:
        parsed = make_url(url)
    except sa.exc.ArgumentError:
        raise LedgerError(
            f"{url!r} is no ledger's URL; sqlite:///path/to/ledger.sqlite is expected"
        ) from None
    if parsed.drivername == "postgresql":
        parsed = parsed.set(drivername="postgresql+psycopg")
    try:
        if parsed.get_backend_name() == "sqlite":
            return _sqlite_engine(parsed, patience_s)
        return _postgresql_engine(parsed, patience_s)
    except (sa.exc.NoSuchModuleError, ModuleNotFoundError) as error:
        raise LedgerError(f"no driver for {parsed.drivername}: {error}") from None


def _postgresql_engine(url: URL, patience_s: float) -> sa.Engine:
    engine = sa.create_engine(
        url,
        pool_pre_ping=True,
        pool_size=2,
        max_overflow=2,
        pool_timeout=patience_s,
        connect_args={"connect_timeout": max(1, round(patience_s))},
    )

    @sa.event.listens_for(engine, "do_connect")
    def connect(_dialect: Any, _record: Any, given: list[Any], named: dict[str, Any]) -> Any:
        from contactd.records.connection_timeout import PatientConnection

        made = PatientConnection.connect(*given, **named)
        made.silence_s = patience_s
        made.execute(f"SET idle_in_transaction_session_timeout = '{IDLE_IN_TRANSACTION_S:g}s'")
        made.commit()
        return made

    return engine


def _sqlite_engine(url: URL, patience_s: float) -> sa.Engine:
    in_memory = url.database in (None, "", ":memory:")
    engine = sa.create_engine(
        url,
        poolclass=sa.StaticPool if in_memory else sa.QueuePool,
        connect_args={"timeout": patience_s, "check_same_thread": False},
    )

    @sa.event.listens_for(engine, "connect")
    def prepare(connection: Any, _record: Any) -> None:
        # Transactions are begun by hand below; the driver's own rules would begin them late.
        connection.isolation_level = None
        if not in_memory:
            connection.execute("PRAGMA journal_mode=WAL")
        # FULL: a committed record survives the loss of power, in WAL mode too.
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA trusted_schema=OFF")

    @sa.event.listens_for(engine, "begin")
    def begin(connection: sa.Connection) -> None:
        # A transaction that will write takes the write lock at once: two that both read first and
        # then write would refuse each other.
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def keep_from_others(file: Path) -> None:
    """Make a ledger's file, where there is none, so that its owner alone can read it.

    SQLite gives the files beside it the same rights. A file that is there is never opened here: to
    close it would end the locks that SQLite has on it in this process, and others would take away
    its write-ahead log under it (sqlite.org/howtocorrupt.html, section 2.2).
    """
    with contextlib.suppress(OSError):  # it is there, or opening it says what is wrong
        os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, 0o600))


def file_of(engine: sa.Engine) -> Path | None:
    """The file of a ledger, or None where it is none."""
    return file_of_url(engine.url)


def file_of_url(url: str | URL) -> Path | None:
    """The file of a ledger's URL, or None where it is none."""
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite" or parsed.database in (None, "", ":memory:"):
        return None
    return Path(str(parsed.database))


def identity_of(file: Path | None) -> tuple[int, int] | None:
    """What makes a file the same file, whatever its name; None where there is none."""
    if file is None:
        return None
    try:
        found = file.stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


@contextmanager
def meaning(name: str) -> Iterator[None]:
    """Turn the database's errors into a :class:`LedgerError` that says what to do."""
    try:
        yield
    except sa.exc.DBAPIError as error:
        raise LedgerError(*_explain(name, error)) from error
    except sa.exc.TimeoutError as error:
        raise LedgerError(f"the ledger {name} is busy", True) from error
    except sqlite3.Error as error:
        raise LedgerError(*_explain_sqlite(name, error)) from error


def _explain(name: str, error: sa.exc.DBAPIError) -> tuple[str, bool, bool]:
    original = error.orig
    if isinstance(original, sqlite3.Error):
        return _explain_sqlite(name, original)
    reason = str(original).strip().splitlines()[0] if str(original).strip() else repr(original)
    passing = isinstance(error, sa.exc.OperationalError | sa.exc.InterfaceError)
    passing = passing or error.connection_invalidated
    return f"the ledger {name} cannot be used: {reason}", passing, False


def _explain_sqlite(name: str, error: sqlite3.Error) -> tuple[str, bool, bool]:
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return f"the ledger {name} cannot be used: {error}", False, False
    what, passing = _MEANINGS.get(code & 0xFF, (str(error), False))
    damaged = code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return f"the ledger {name} cannot be used: {what} ({error})", passing, damaged


def bring_up_to_date(engine: sa.Engine, name: str, fence: int | None = None) -> None:
    """Run the migrations that a ledger lacks; alembic is imported only if it lacks any.

    A ledger on which somebody leads is left in its form, and used in it: whoever leads next brings
    it up to date. A migration therefore only adds, and the version before goes on reading.

    Args:
        fence: of whoever leads and asks; None for all others.

    Raises:
        NewerLedger: if it was written by a newer version of the program.
        LeadLost: if ``fence`` is no longer in force.
        LedgerError: if it cannot be used.
    """
    with meaning(name):
        with engine.connect() as connection:
            standing = form_of(connection)
            if standing == NEWEST:
                return
            left_alone = fence is None and is_led(connection)
        if standing is not None and standing not in known_forms():
            raise newer(name, standing)
        if left_alone:
            return
        from alembic import command
        from alembic.config import Config

        settings = Config()
        settings.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
        writer = engine.execution_options(writing=True)
        with writer.begin() as connection:
            take_time(connection)
            if connection.dialect.name == "postgresql":
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_UPGRADE_LOCK)))
            if fence is not None:
                check_fence(connection, fence, name)
            if form_of(connection) != NEWEST:
                settings.attributes["connection"] = connection
                command.upgrade(settings, "head")


def newer(name: str, form: str) -> NewerLedger:
    """The error that a ledger's form is none that this version knows."""
    return NewerLedger(f"the ledger {name} {newer_form(form)}")


def newer_form(form: str) -> str:
    """What is to be said of a form that this version does not know."""
    return (
        f"was written by a newer version (its form is {form}, "
        f"this version knows up to {NEWEST}): upgrade contactd here, then try again"
    )


@cache
def known_forms() -> frozenset[str]:
    """Every form that a ledger ever had, up to this version's; looked for once."""
    return frozenset(
        path.name.partition("_")[0] for path in (MIGRATIONS / "versions").glob("0*.py")
    )


def check_fence(connection: sa.Connection, fence: int, name: str) -> None:
    """Make sure that the lead cannot be taken before this transaction is over.

    Raises:
        LeadLost: if it has been already.
    """
    query = sa.select(lease_table.c.fence).with_for_update(read=True)
    if connection.execute(query).scalar() != fence:
        raise LeadLost(f"another service leads on the ledger {name}")


def insert(connection: sa.Connection, table: sa.Table, rows: list[dict[str, Any]]) -> None:
    """Insert rows.

    On PostgreSQL in one statement. Several in a row would be sent as a pipeline, and a server that
    has been told to flush its answers at the end of one no longer counts how long the transaction
    stands still: whoever is stopped just then would keep the ledger locked for ever.
    """
    if connection.dialect.name != "postgresql":
        connection.execute(table.insert(), rows)
        return
    columns = list(table.columns)
    arrays = [
        sa.cast(
            sa.bindparam(each.name, [row[each.name] for row in rows]), postgresql.ARRAY(each.type)
        )
        for each in columns
    ]
    names = [each.name for each in columns]
    given = sa.func.unnest(*arrays).table_valued(*names).render_derived()
    connection.execute(table.insert().from_select(names, sa.select(*given.c)))


def is_led(connection: sa.Connection) -> bool:
    """Whether somebody's lease of the lead lasts; on PostgreSQL only."""
    if connection.dialect.name != "postgresql" or not sa.inspect(connection).has_table("lease"):
        return False
    query = sa.select(lease_table.c.until > server_time())
    return bool(connection.execute(query).scalar())


def server_time() -> sa.ColumnElement[float]:
    """The PostgreSQL server's present, in POSIX seconds."""
    return sa.cast(sa.func.extract("epoch", sa.func.clock_timestamp()), sa.Double)


def form_of(connection: sa.Connection) -> str | None:
    """The migration at which a ledger stands; None for one that has no tables yet."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def take_time(connection: sa.Connection) -> None:
    """Let a transaction last as long as it must, where that is limited otherwise."""
    if connection.dialect.name != "postgresql":
        return
    raw = connection.connection.dbapi_connection
    if raw is not None:
        before = raw.silence_s
        raw.silence_s = _LONGEST_SILENCE_S

        def restore(*_: object) -> None:
            raw.silence_s = before

        sa.event.listen(connection, "commit", restore, once=True)
        sa.event.listen(connection, "rollback", restore, once=True)
    connection.exec_driver_sql("SET LOCAL idle_in_transaction_session_timeout = '60s'")
