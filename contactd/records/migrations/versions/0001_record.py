"""The record table, closed against change."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "record",
        sa.Column(
            "number",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("at", sa.Double, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("subject", sa.String, nullable=False),
        sa.Column("author", sa.String, nullable=False),
        sa.Column("identity", sa.String, nullable=True, unique=True),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
    )
    if op.get_bind().dialect.name == "sqlite":
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER record_refuses_{change.lower()} BEFORE {change} ON record "
                "BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION contactd_refuse() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'the ledger is append-only'; END $$"
    )
    op.execute(
        "CREATE TRIGGER record_refuses_change BEFORE UPDATE OR DELETE OR TRUNCATE ON record "
        "FOR EACH STATEMENT EXECUTE FUNCTION contactd_refuse()"
    )
