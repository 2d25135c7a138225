"""Migrations: forward only, from every form that a ledger ever had, in both databases."""

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory

from contactd.core.record import REMARK, Record
from contactd.records import Ledger
from contactd.records.chain import NO_DIGEST, digest
from contactd.records.database import MIGRATIONS, open_engine

FORMS = [each.revision for each in ScriptDirectory(str(MIGRATIONS)).walk_revisions()][::-1]


def make(url: str, form: str) -> None:
    """A ledger as the version left it whose newest migration was ``form``, with ten records."""
    engine = open_engine(url, 5.0)
    settings = Config()
    settings.set_main_option("script_location", str(MIGRATIONS))
    insert = sa.text(
        "INSERT INTO record (number, at, kind, subject, author, identity, body, digest) "
        "VALUES (:number, :at, :kind, :subject, :author, :identity, :body, :digest)"
    )
    with engine.execution_options(writing=True).begin() as connection:
        settings.attributes["connection"] = connection
        command.upgrade(settings, form)
        before = NO_DIGEST
        for number in range(1, 11):
            record = Record(1.5 * number, REMARK, "s", "Ada", {}, f"r{number}", number)
            before = digest(record, '{"text":"x"}', before)
            row = {
                "number": number, "at": record.at, "kind": REMARK, "subject": "s", "author": "Ada",
                "identity": record.identity, "body": '{"text":"x"}', "digest": before,
            }  # fmt: skip
            connection.execute(insert, row)
    engine.dispose()


@pytest.mark.parametrize("form", FORMS)
def test_a_ledger_of_any_earlier_form_is_brought_up_to_date_and_loses_nothing(any_url, form):
    make(any_url, form)
    with Ledger.open(any_url) as ledger:
        assert [each.number for each in ledger.since(0)] == list(range(1, 11))
        assert ledger.verify().intact
        again = ledger.append([Record(1.0, REMARK, "s", "Ada", {}, "r3")])
        assert again[0].number == 3
        assert ledger.append([Record(99.0, REMARK, "s", "Ada")])[0].number == 11
        assert ledger.verify().records == 11
        with ledger._engine.connect() as connection:
            found = connection.execute(sa.text("SELECT version_num FROM alembic_version"))
            assert found.scalar() == FORMS[-1]


@pytest.mark.parametrize("form", FORMS)
def test_no_form_lets_a_record_be_changed(any_url, form):
    make(any_url, form)
    engine = open_engine(any_url, 5.0)
    for change in ("UPDATE record SET at = 0", "DELETE FROM record"):
        with (
            pytest.raises(sa.exc.DBAPIError, match="append-only"),
            engine.execution_options(writing=True).begin() as connection,
        ):
            connection.execute(sa.text(change))
    engine.dispose()


def test_there_is_one_line_of_migrations_and_none_goes_back():
    scripts = ScriptDirectory(str(MIGRATIONS))
    assert len(scripts.get_heads()) == 1
    for each in scripts.walk_revisions():
        assert not hasattr(each.module, "downgrade")
        assert each.doc


def test_a_migration_that_fails_leaves_the_ledger_as_it_was(any_url, monkeypatch):
    make(any_url, FORMS[0])
    newest = ScriptDirectory(str(MIGRATIONS)).get_revision(FORMS[-1])
    assert newest is not None

    import alembic.op

    real = alembic.op.execute
    calls = []

    def breaks(statement, *more):
        calls.append(statement)
        if len(calls) == 2:
            raise RuntimeError("the power went")
        return real(statement, *more)

    monkeypatch.setattr(alembic.op, "execute", breaks)
    with pytest.raises(RuntimeError, match="the power went"):
        Ledger.open(any_url)
    monkeypatch.undo()
    assert calls
    with Ledger.open(any_url) as ledger:
        assert ledger.verify().records == 10
        assert ledger.verify().intact
