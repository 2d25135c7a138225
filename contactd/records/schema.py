"""The ledger's tables, as the newest migration leaves them."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Double,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

# The newest migration. Where a ledger already stands there, alembic need not be imported.
NEWEST = "0003"

metadata = MetaData()

record_table = Table(
    "record",
    metadata,
    Column(
        "number",
        BigInteger().with_variant(Integer(), "sqlite"),
        primary_key=True,
        autoincrement=False,
    ),
    Column("at", Double, nullable=False),
    Column("kind", String, nullable=False),
    Column("subject", String, nullable=False),
    Column("author", String, nullable=False),
    Column("identity", String, nullable=True, unique=True),
    Column("body", Text, nullable=False),
    Column("digest", String(64), nullable=False),
)

archive_table = Table(
    "archive",
    metadata,
    Column(
        "until_number",
        BigInteger().with_variant(Integer(), "sqlite"),
        primary_key=True,
        autoincrement=False,
    ),
    Column("first_number", BigInteger, nullable=False),
    Column("at", Double, nullable=False),
    Column("digest", String(64), nullable=False),
    Column("file", String, nullable=False),
    Column("sha256", String(64), nullable=False),
)

# One row: who leads of several services on one PostgreSQL. Times are the server's own, in POSIX
# seconds. ``fence`` grows by one whenever the lead is taken; ``sends_from`` is when the lease of
# the one before has expired; ``locked`` says that the leader's session holds the advisory lock too.
lease_table = Table(
    "lease",
    metadata,
    Column("one", Integer, primary_key=True, autoincrement=False),
    Column("fence", BigInteger, nullable=False),
    Column("holder", String, nullable=False),
    Column("instance", String, nullable=False),
    Column("until", Double, nullable=False),
    Column("sends_from", Double, nullable=False),
    Column("locked", Boolean, nullable=False),
    CheckConstraint("one = 1", name="lease_is_one_row"),
)

# Who is there, and when each was last seen.
member_table = Table(
    "member",
    metadata,
    Column("instance", String, primary_key=True),
    Column("name", String, nullable=False),
    Column("seen", Double, nullable=False),
)
