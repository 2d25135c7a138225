"""The ledger's tables, as the newest migration leaves them."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Double, Integer, MetaData, String, Table, Text

# The newest migration. Where a ledger already stands there, alembic need not be imported.
NEWEST = "0002"

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
