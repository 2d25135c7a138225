"""The database under the ledger: engine, durability, migrations, and what its errors mean."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import URL, make_url

from contactd.core.errors import LedgerError
from contactd.records.schema import NEWEST

MIGRATIONS = Path(__file__).parent / "migrations"
# Any fixed number will do, as long as every version of the program uses the same.
_UPGRADE_LOCK = 0x636F6E7461637464

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
        return sa.create_engine(
            parsed,
            pool_pre_ping=True,
            pool_size=2,
            max_overflow=2,
            pool_timeout=patience_s,
            connect_args={"connect_timeout": max(1, round(patience_s))},
        )
    except (sa.exc.NoSuchModuleError, ModuleNotFoundError) as error:
        raise LedgerError(f"no driver for {parsed.drivername}: {error}") from None


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


def file_of(engine: sa.Engine) -> Path | None:
    """The file of a ledger, or None where it is none."""
    url = engine.url
    if url.get_backend_name() != "sqlite" or url.database in (None, "", ":memory:"):
        return None
    return Path(str(url.database))


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


def _explain(name: str, error: sa.exc.DBAPIError) -> tuple[str, bool]:
    original = error.orig
    if isinstance(original, sqlite3.Error):
        return _explain_sqlite(name, original)
    reason = str(original).strip().splitlines()[0] if str(original).strip() else repr(original)
    passing = isinstance(error, sa.exc.OperationalError | sa.exc.InterfaceError)
    return f"the ledger {name} cannot be used: {reason}", passing or error.connection_invalidated


def _explain_sqlite(name: str, error: sqlite3.Error) -> tuple[str, bool]:
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return f"the ledger {name} cannot be used: {error}", False
    what, passing = _MEANINGS.get(code & 0xFF, (str(error), False))
    return f"the ledger {name} cannot be used: {what} ({error})", passing


def bring_up_to_date(engine: sa.Engine, name: str) -> None:
    """Run the migrations that a ledger lacks; alembic is imported only if it lacks any.

    Raises:
        LedgerError: if it was written by a newer version of the program, or cannot be used.
    """
    with meaning(name):
        with engine.connect() as connection:
            standing = _version(connection)
        if standing == NEWEST:
            return
        from alembic import command
        from alembic.config import Config
        from alembic.script import ScriptDirectory

        settings = Config()
        settings.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
        known = {each.revision for each in ScriptDirectory.from_config(settings).walk_revisions()}
        if standing is not None and standing not in known:
            raise LedgerError(
                f"the ledger {name} was written by a newer version (its form is {standing}, "
                f"this version knows up to {NEWEST}): upgrade contactd here, then try again"
            )
        writer = engine.execution_options(writing=True)
        with writer.begin() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_UPGRADE_LOCK)))
            if _version(connection) != NEWEST:
                settings.attributes["connection"] = connection
                command.upgrade(settings, "head")


def _version(connection: sa.Connection) -> str | None:
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)
