"""The ledger's table, as the newest migration leaves it."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Double, Integer, MetaData, String, Table, Text

# The newest migration. Where a ledger already stands there, alembic need not be imported.
NEWEST = "0001"

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
