"""The list of archives, and leave to take out of the ledger what is in one of them."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "archive",
        sa.Column(
            "until_number",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("first_number", sa.BigInteger(), nullable=False),
        sa.Column("at", sa.Double, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("file", sa.String, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
    )
    if op.get_bind().dialect.name == "sqlite":
        op.execute("DROP TRIGGER record_refuses_delete")
        op.execute(
            "CREATE TRIGGER record_refuses_delete BEFORE DELETE ON record "
            "WHEN NOT EXISTS (SELECT 1 FROM archive WHERE until_number >= OLD.number) "
            "BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END"
        )
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER archive_refuses_{change.lower()} BEFORE {change} ON archive "
                "BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION contactd_refuse_unless_archived() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN IF NOT EXISTS (SELECT 1 FROM archive WHERE until_number >= OLD.number) THEN "
        "RAISE EXCEPTION 'the ledger is append-only'; END IF; RETURN OLD; END $$"
    )
    op.execute("DROP TRIGGER record_refuses_change ON record")
    op.execute(
        "CREATE TRIGGER record_refuses_change BEFORE UPDATE OR TRUNCATE ON record "
        "FOR EACH STATEMENT EXECUTE FUNCTION contactd_refuse()"
    )
    op.execute(
        "CREATE TRIGGER record_refuses_delete BEFORE DELETE ON record "
        "FOR EACH ROW EXECUTE FUNCTION contactd_refuse_unless_archived()"
    )
    op.execute(
        "CREATE TRIGGER archive_refuses_change BEFORE UPDATE OR DELETE OR TRUNCATE ON archive "
        "FOR EACH STATEMENT EXECUTE FUNCTION contactd_refuse()"
    )
