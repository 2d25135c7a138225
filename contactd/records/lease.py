"""The lead among several services on one PostgreSQL: a lease, a fence, and a lock.

The lease is a row with an end, counted by the server's clock; whoever leads renews it well before.
The fence is a number in that row that grows with every change of the lead, and everything that the
leader writes is written under it: once somebody else has taken the lead, nothing more is. The lock
belongs to the leader's session and falls when that ends, so that a service that is killed need not
be waited for; one that hangs, or is cut off, keeps its session, and is followed when its lease has
run out.

Whoever takes the lead before the lease of the one before has run out is told how long that still
lasts: until then that one may be sending.
"""

from __future__ import annotations

import contextlib
import uuid
from collections.abc import Iterator
from dataclasses import dataclass

import sqlalchemy as sa

from contactd.core.errors import LedgerError
from contactd.records import database
from contactd.records.schema import lease_table, member_table

# Any fixed number will do, as long as every version of the program uses the same.
_LEAD_LOCK = 0x636F6E746163746C
FORGOTTEN_AFTER_S = 3600.0
"""A service that was not seen for so long is no longer listed."""
_FORM = sa.text("SELECT version_num FROM alembic_version")
PATIENCE_S = 2.0
LOCK_PATIENCE_S = 1.0


@dataclass(frozen=True, slots=True)
class Look:
    """What one look at the lease found.

    Attributes:
        fence: in force; 0 as long as nobody ever led.
        holder: name of the service that leads, or led last; "" if none ever did.
        mine: whether it is the one that looks.
        left_s: how long the lease still lasts; negative when it has run out.
        sends_in_s: until when the one before may still be sending; negative when it may not.
        members: how many services were seen lately.
        form: at which migration the ledger stands.
        is_newer: whether that is a newer one than this version of the program knows.
    """

    fence: int
    holder: str
    mine: bool
    left_s: float
    sends_in_s: float
    members: int
    form: str
    is_newer: bool


class Lease:
    """One service's dealings with the lease, over a session of its own. Not for several threads.

    Args:
        url: the ledger's, on PostgreSQL.
        name: of this service, for people.
        duration_s: how long the lease lasts after each renewal.
    """

    def __init__(self, url: str, name: str, duration_s: float) -> None:
        self.name = name
        self.duration_s = duration_s
        self._instance = uuid.uuid4().hex
        self._engine = database.open_engine(url, PATIENCE_S)
        self._ledger = self._engine.url.render_as_string(hide_password=True)
        self._connection: sa.Connection | None = None
        self._fence: int | None = None
        self._locked = False

    def look(self, candidate: bool = True, renew: bool = True) -> Look:
        """Renew the lease if it is held, take it if it can be had, and say how things stand.

        Args:
            candidate: take it if it can be had.
            renew: renew it if it is held.

        Raises:
            LedgerError: if the server cannot be asked; whether the lease is held is not known then.
        """
        with self._session() as connection:
            form = str(connection.execute(_FORM).scalar() or "")
            is_newer = form not in database.known_forms()
            self._be_seen(connection)
            if self._fence is not None:
                if renew:
                    self._renew(connection)
            elif candidate and not is_newer:
                self._take(connection)
            return self._standing(connection, form, is_newer)

    def give_back(self) -> None:
        """Let the lease end now, so that another service can lead at once.

        Raises:
            LedgerError: if the server cannot be asked; the lease runs out by itself then.
        """
        fence, self._fence = self._fence, None
        with self._session() as connection:
            if fence is not None:
                ours = lease_table.update().where(lease_table.c.fence == fence)
                connection.execute(ours.values(until=database.server_time()))
            self._unlock(connection)

    def leave(self) -> None:
        """Give the lease back, be no longer listed, and let go of the session. Never raises."""
        with contextlib.suppress(LedgerError):
            self.give_back()
        with contextlib.suppress(LedgerError), self._session() as connection:
            column = member_table.c.instance
            connection.execute(member_table.delete().where(column == self._instance))
        self._drop()
        self._engine.dispose()

    @contextlib.contextmanager
    def _session(self) -> Iterator[sa.Connection]:
        try:
            with database.meaning(self._ledger):
                if self._connection is None:
                    self._connection = self._connect()
                yield self._connection
        except BaseException:
            self._drop()
            raise

    def _connect(self) -> sa.Connection:
        connection = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        milliseconds = round(LOCK_PATIENCE_S * 1e3)
        connection.exec_driver_sql(f"SET lock_timeout = {milliseconds}")
        connection.exec_driver_sql(f"SET statement_timeout = {2 * milliseconds}")
        return connection

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        self._locked = False
        if connection is not None:
            with contextlib.suppress(sa.exc.SQLAlchemyError):
                connection.invalidate()
            with contextlib.suppress(sa.exc.SQLAlchemyError):
                connection.close()

    def _be_seen(self, connection: sa.Connection) -> None:
        connection.execute(
            sa.text(
                "INSERT INTO member (instance, name, seen) "
                "VALUES (:instance, :name, extract(epoch FROM clock_timestamp())) "
                "ON CONFLICT (instance) DO UPDATE SET seen = EXCLUDED.seen"
            ),
            {"instance": self._instance, "name": self.name},
        )

    def _renew(self, connection: sa.Connection) -> None:
        column = lease_table.c
        self._lock(connection)
        ours = (column.fence == self._fence) & (column.instance == self._instance)
        renewed = connection.execute(
            lease_table.update()
            .where(ours)
            .values(until=database.server_time() + self.duration_s, locked=self._locked)
        )
        if not renewed.rowcount:
            self._fence = None
            self._unlock(connection)
        seen = member_table.c.seen
        gone = member_table.delete().where(seen < database.server_time() - FORGOTTEN_AFTER_S)
        connection.execute(gone)

    def _take(self, connection: sa.Connection) -> None:
        column, now = lease_table.c, database.server_time()
        self._lock(connection)
        # A leader that never had the lock, because one that hangs holds it, must not lose the lead
        # to whoever is the first to get it.
        free = column.until <= now
        if self._locked:
            free = free | column.locked
        taken = connection.execute(
            lease_table.update()
            .where(free)
            .values(
                fence=column.fence + 1,
                holder=self.name,
                instance=self._instance,
                sends_from=sa.func.greatest(column.until, column.sends_from),
                until=now + self.duration_s,
                locked=self._locked,
            )
            .returning(column.fence)
        ).scalar()
        if taken is None:
            self._unlock(connection)
        else:
            self._fence = int(taken)

    def _lock(self, connection: sa.Connection) -> None:
        if not self._locked:
            asked = sa.select(sa.func.pg_try_advisory_lock(_LEAD_LOCK))
            self._locked = bool(connection.execute(asked).scalar())

    def _unlock(self, connection: sa.Connection) -> None:
        if self._locked:
            connection.execute(sa.select(sa.func.pg_advisory_unlock(_LEAD_LOCK)))
            self._locked = False

    def _standing(self, connection: sa.Connection, form: str, is_newer: bool) -> Look:
        column, now = lease_table.c, database.server_time()
        lately = member_table.c.seen > now - max(self.duration_s, 2.0)
        members = sa.select(sa.func.count()).select_from(member_table).where(lately)
        row = connection.execute(
            sa.select(
                column.fence,
                column.holder,
                column.instance,
                (column.until - now).label("left_s"),
                (column.sends_from - now).label("sends_in_s"),
                members.scalar_subquery().label("members"),
            )
        ).one()
        mine = row.instance == self._instance and row.fence == self._fence
        return Look(
            fence=int(row.fence),
            holder=str(row.holder),
            mine=mine,
            left_s=float(row.left_s),
            sends_in_s=float(row.sends_in_s),
            members=int(row.members),
            form=form,
            is_newer=is_newer,
        )
