"""Who leads of several services on one ledger, and who is there."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    lease = op.create_table(
        "lease",
        sa.Column("one", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("fence", sa.BigInteger(), nullable=False),
        sa.Column("holder", sa.String, nullable=False),
        sa.Column("instance", sa.String, nullable=False),
        sa.Column("until", sa.Double, nullable=False),
        sa.Column("sends_from", sa.Double, nullable=False),
        sa.Column("locked", sa.Boolean, nullable=False),
        sa.CheckConstraint("one = 1", name="lease_is_one_row"),
    )
    op.bulk_insert(
        lease,
        [
            {
                "one": 1,
                "fence": 0,
                "holder": "",
                "instance": "",
                "until": 0.0,
                "sends_from": 0.0,
                "locked": False,
            }
        ],
    )
    op.create_table(
        "member",
        sa.Column("instance", sa.String, primary_key=True),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("seen", sa.Double, nullable=False),
    )
