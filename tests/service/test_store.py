"""The ledger as the daemon uses it: what cannot be written is held, and nothing is in its way."""

import sqlite3

import pytest

from contactd.core.record import REMARK, Record
from contactd.records import Ledger
from contactd.service.store import MOST_HELD, Store


def remark(text: str, **body) -> Record:
    return Record(1.0, REMARK, "s", "Ada", {"text": text, **body}, identity=text)


@pytest.fixture
def file(tmp_path):
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def store(file):
    made = Store(Ledger.open(f"sqlite:///{file}", patience_s=0.05))
    yield made
    made.close()


async def test_what_others_append_is_news(store, file):
    with Ledger.open(f"sqlite:///{file}") as other:
        other.append([remark("from the command line")])
    assert [each.identity for each in await store.exchange()] == ["from the command line"]
    assert await store.exchange() == []


async def test_under_a_lock_records_are_held_once_each_and_written_in_order_afterwards(store, file):
    holder = sqlite3.connect(file, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    for text in ("a", "b", "a"):
        assert await store.exchange([remark(text)]) == []
    assert "locked" in store.trouble
    assert [each.identity for each in store.held] == ["a", "b"]
    holder.execute("ROLLBACK")
    holder.close()
    assert [each.identity for each in await store.exchange([remark("c")])] == ["a", "b", "c"]
    assert (store.trouble, list(store.held)) == ("", [])


async def test_more_than_a_ledger_takes_at_once_is_written_in_parts(store, file):
    holder = sqlite3.connect(file, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    many = [remark(f"{n}") for n in range(MOST_HELD + 5)]
    await store.exchange(many)
    assert (len(store.held), store.dropped) == (MOST_HELD, 5)
    holder.execute("ROLLBACK")
    holder.close()
    written = []
    while news := await store.exchange():
        written += news
    assert [each.identity for each in written] == [each.identity for each in many[:MOST_HELD]]


async def test_a_record_that_no_ledger_would_store_does_not_keep_the_others_waiting(store):
    news = await store.exchange(
        [remark("good"), remark("bad", number=float("nan")), remark("huge", x="x" * 2_000_000),
         remark("also good")]
    )  # fmt: skip
    assert [each.identity for each in news] == ["good", "also good"]
    assert store.dropped == 2
    assert store.trouble == ""
