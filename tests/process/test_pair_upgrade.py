"""A pair is upgraded one service after the other, and either can go back until the lead changes."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import newer_version
import pytest
import sqlalchemy as sa
from pair import Node, PairOfServices, fence_of, steps_every
from waiting import wait_for

from contactd.records import database, schema
from contactd.wiring import LEFT_ALONE

pytestmark = pytest.mark.process


@pytest.fixture
def pair(postgres, tmp_path) -> Iterator[PairOfServices]:
    made = PairOfServices(tmp_path, postgres)
    made.write_target(steps_every(1.0, 60, first_s=5.0))
    try:
        made.begin()
        yield made
    finally:
        made.clean_up()


def form_of(pair: PairOfServices) -> str:
    """The form of the ledger."""
    engine = pair.postgres.engine(pair.url.rpartition("/")[2])
    try:
        with engine.connect() as connection:
            return str(connection.execute(sa.text("SELECT * FROM alembic_version")).scalar())
    finally:
        engine.dispose()


def refuses(node: Node) -> None:
    """The service ends by itself, and says why in words that tell what to do."""
    assert node.process is not None
    assert node.process.wait(30) == LEFT_ALONE
    last = node.output().splitlines()[-1]
    assert f"written by a newer version (its form is {newer_version.FORM}" in last
    assert "upgrade contactd here, then try again" in last
    assert "Traceback" not in node.output()


def test_a_pair_is_upgraded_one_after_the_other_and_what_is_older_refuses_politely(
    pair, tmp_path, monkeypatch
):
    hill, dale = pair.nodes
    older = {node.name: node.command for node in pair.nodes}
    migrations = newer_version.lay_migrations(tmp_path / "migrations")

    def newer(node: Node) -> list[str]:
        program = str(Path(newer_version.__file__))
        return [sys.executable, program, str(migrations), *older[node.name][1:]]

    # The follower first: the newer version follows an older leader, and changes nothing.
    dale.stop()
    dale.command = newer(dale)
    dale.begin()
    assert (hill.role(), dale.role()) == ("leads", "follows")
    assert form_of(pair) == schema.NEWEST
    # So that it can go back to the older version without more ado.
    dale.stop()
    dale.command = older["dale"]
    dale.begin()
    assert (hill.role(), dale.role()) == ("leads", "follows")
    dale.stop()
    dale.command = newer(dale)
    dale.begin()

    # With the lead the form changes; the older one, which runs on, notices and ends.
    hill.signal(signal.SIGSTOP)
    wait_for(lambda: dale.role() == "leads", "the newer version to lead")
    assert form_of(pair) == newer_version.FORM
    hill.signal(signal.SIGCONT)
    refuses(hill)
    assert all(fence_of(each) <= 2 for each in pair.told())

    # The older version refuses to start, and the newer one takes its place.
    hill.start()
    refuses(hill)
    hill.command = newer(hill)
    hill.begin()
    assert (dale.role(), hill.role()) == ("leads", "follows")

    # Nothing was lost in all that.
    due = pair.due_by_now(grace_s=2.0)
    wait_for(lambda: not pair.untold(due), "every step that ran out to be told")
    monkeypatch.setattr(database, "MIGRATIONS", migrations)
    monkeypatch.setattr(database, "NEWEST", newer_version.FORM)
    with pair.ledger() as ledger:
        assert ledger.verify().intact


def test_a_leader_leaves_a_ledger_alone_that_somebody_has_changed_meanwhile(pair):
    """Not that anybody should: a newer command line does not, as long as somebody leads."""
    engine = pair.postgres.engine(pair.url.rpartition("/")[2])
    with engine.connect() as connection:
        changed = f"UPDATE alembic_version SET version_num = '{newer_version.FORM}'"
        connection.execute(sa.text(changed))
    engine.dispose()
    for node in pair.nodes:
        refuses(node)
