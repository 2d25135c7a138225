"""A later version of the program: the same, with one more migration of the ledger.

``newer_version.py FOLDER run --config …`` is ``contactd run --config …`` of that version, with its
migrations in FOLDER.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

FORM = "0999"
MIGRATION = '''"""A later table."""

import sqlalchemy as sa
from alembic import op

revision = "{form}"
down_revision = "{before}"


def upgrade() -> None:
    op.create_table("note", sa.Column("text", sa.Text))
'''


def lay_migrations(folder: Path) -> Path:
    """The migrations of that version, in a folder; which is returned."""
    from contactd.records import database

    shutil.copytree(database.MIGRATIONS, folder)
    text = MIGRATION.format(form=FORM, before=database.NEWEST)
    (folder / "versions" / f"{FORM}_note.py").write_text(text)
    return folder


def become(folder: Path) -> None:
    """Be that version from now on."""
    from contactd.records import database

    database.MIGRATIONS = folder
    database.NEWEST = FORM


if __name__ == "__main__":
    become(Path(sys.argv.pop(1)))
    from contactd.__main__ import main

    main()
