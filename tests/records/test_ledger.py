"""The ledger on real SQLite files: order, chain, identity, several writers, kill -9."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from contactd.core.errors import LedgerError
from contactd.core.record import REMARK, Record
from contactd.records.ledger import MOST_AT_ONCE, Ledger


def remark(text: str, identity: str = "", at: float = 1000.0) -> Record:
    return Record(at=at, kind=REMARK, subject="Lantern 3", author="Ada", body={"text": text},
                  identity=identity)  # fmt: skip


@pytest.fixture
def url(tmp_path):
    return f"sqlite:///{tmp_path}/ledger.sqlite"


@pytest.fixture
def ledger(url):
    with Ledger.open(url) as opened:
        yield opened


def test_records_are_numbered_from_one_without_gaps_and_come_back_as_stored(ledger):
    stored = ledger.append([remark("a"), remark("b")]) + ledger.append([remark("c")])
    assert [record.number for record in stored] == [1, 2, 3]
    assert ledger.since(0) == stored
    assert ledger.since(1, limit=1) == [stored[1]]
    assert ledger.last_number() == 3
    assert list(ledger.records(after=1)) == stored[1:]


def test_a_ledger_that_is_closed_and_opened_again_goes_on_where_it_was(url):
    with Ledger.open(url) as first:
        first.append([remark("a")])
    with Ledger.open(url) as again:
        assert again.append([remark("b")])[0].number == 2
        assert again.verify().intact


def test_the_same_identity_is_stored_once_and_the_stored_one_comes_back(ledger):
    first = ledger.append([remark("first", "key")])
    again = ledger.append([remark("second", "key"), remark("third", "other")])
    assert again[0] == first[0]
    assert again[1].number == 2
    assert ledger.last_number() == 2


def test_the_same_identity_twice_in_one_append_is_stored_once(ledger):
    stored = ledger.append([remark("a", "key"), remark("b", "key")])
    assert stored[0] == stored[1]
    assert ledger.last_number() == 1


def test_an_append_is_all_or_nothing(ledger):
    with pytest.raises(LedgerError):
        ledger.append([remark("good"), Record(1.0, REMARK, "s", "a", {"bad": float("nan")})])
    assert ledger.last_number() == 0


def test_an_append_of_nothing_and_one_of_too_many(ledger):
    assert ledger.append([]) == []
    with pytest.raises(ValueError, match="at most"):
        ledger.append([remark("x")] * (MOST_AT_ONCE + 1))


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(
        st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
        st.recursive(
            st.none()
            | st.booleans()
            | st.integers(-(2**53) + 1, 2**53 - 1)
            | st.floats(allow_nan=False, allow_infinity=False)
            | st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
            lambda inner: (
                st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner)
            ).filter(lambda value: "\\ud" not in ascii(value)),
            max_leaves=6,
        ),
        max_size=5,
    )
)
def test_whatever_json_goes_in_comes_out_equal_and_the_chain_holds(tmp_path, body):
    with Ledger.open(f"sqlite:///{tmp_path}/any.sqlite") as ledger:
        stored = ledger.append([Record(1.0, REMARK, "s", "a", body)])[0]
        assert stored.body == body
        assert ledger.since(stored.number - 1) == [stored]
        assert ledger.verify().intact


@pytest.mark.parametrize("change", ["UPDATE record SET at = 1", "DELETE FROM record"])
def test_the_database_itself_refuses_change(tmp_path, ledger, change):
    ledger.append([remark("a")])
    with (
        sqlite3.connect(tmp_path / "ledger.sqlite") as connection,
        pytest.raises(sqlite3.IntegrityError, match="append-only"),
    ):
        connection.execute(change)
    connection.close()


@pytest.mark.parametrize(
    ("tampering", "number"),
    [
        ('UPDATE record SET body = \'{"text":"c"}\' WHERE number = 2', 2),
        ("UPDATE record SET at = at + 1 WHERE number = 3", 3),
        ("UPDATE record SET author = 'Eve' WHERE number = 1", 1),
        ("UPDATE record SET identity = 'k' WHERE number = 4", 4),
        ("DELETE FROM record WHERE number = 3", 4),
        ("DELETE FROM record WHERE number = 1", 2),
        ("UPDATE record SET digest = hex(zeroblob(32)) WHERE number = 2", 2),
    ],
)
def test_tampering_past_the_triggers_shows_and_says_where(tmp_path, ledger, tampering, number):
    ledger.append([remark(text) for text in "abcde"])
    connection = sqlite3.connect(tmp_path / "ledger.sqlite")
    for change in ("update", "delete"):
        connection.execute(f"DROP TRIGGER record_refuses_{change}")
    connection.execute(tampering)
    connection.commit()
    connection.close()
    found = ledger.verify()
    assert not found.intact
    assert found.faults[0].number == number
    assert found.number < number


def test_the_digest_of_the_last_record_shows_that_the_end_was_cut_off(tmp_path, ledger):
    ledger.append([remark(text) for text in "abc"])
    noted = ledger.verify()
    connection = sqlite3.connect(tmp_path / "ledger.sqlite")
    connection.execute("DROP TRIGGER record_refuses_delete")
    connection.execute("DELETE FROM record WHERE number = 3")
    connection.commit()
    connection.close()
    assert ledger.verify().intact
    assert (ledger.verify().number, ledger.verify().digest) != (noted.number, noted.digest)


def test_a_file_that_is_no_ledger_is_refused_in_words(tmp_path):
    (tmp_path / "ledger.sqlite").write_bytes(b"this is a letter, not a database" * 100)
    with pytest.raises(LedgerError, match="not a ledger") as caught:
        Ledger.open(f"sqlite:///{tmp_path}/ledger.sqlite")
    assert not caught.value.passing


def test_a_damaged_page_is_said_to_be_damage(tmp_path, url):
    with Ledger.open(url) as ledger:
        ledger.append([remark("x" * 3000) for _ in range(100)])
    file = tmp_path / "ledger.sqlite"
    content = bytearray(file.read_bytes())
    for page in range(20, 60):
        content[page * 4096 : page * 4096 + 200] = b"\xa5" * 200
    file.write_bytes(content)
    with (
        Ledger.open(url) as damaged,
        pytest.raises(LedgerError, match="damaged") as caught,
    ):
        damaged.verify()
    assert not caught.value.passing


def test_a_missing_file_is_not_made_when_only_reading_was_meant(tmp_path):
    with pytest.raises(LedgerError, match="there is no ledger"):
        Ledger.open(f"sqlite:///{tmp_path}/none.sqlite", create=False)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("url", ["nonsense", "fortran://x/y", ""])
def test_a_url_that_leads_nowhere_is_refused_in_words(url):
    with pytest.raises(LedgerError, match=r"no ledger's URL|no driver"):
        Ledger.open(url)


def test_a_ledger_written_by_a_newer_version_is_refused_politely(tmp_path, url):
    Ledger.open(url).close()
    connection = sqlite3.connect(tmp_path / "ledger.sqlite")
    connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.commit()
    connection.close()
    with pytest.raises(LedgerError, match="newer version"):
        Ledger.open(url)


def test_a_lock_held_too_long_is_a_passing_error_and_waiting_it_out_works(tmp_path, url):
    with Ledger.open(url, patience_s=0.05) as ledger:
        holder = sqlite3.connect(tmp_path / "ledger.sqlite", isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(LedgerError, match="locked") as caught:
            ledger.append([remark("a")])
        assert caught.value.passing
        assert ledger.last_number() == 0, "reading goes on under a writer's lock"
        holder.execute("ROLLBACK")
        holder.close()
        assert ledger.append([remark("a")])[0].number == 1


def test_a_full_disk_is_a_passing_error_and_nothing_half_written_stays(tmp_path, url):
    with Ledger.open(url) as ledger:
        ledger.append([remark("a")])
        # SQLite's own limit on pages raises the very error that a full disk raises.
        with ledger._engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
            connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
        with pytest.raises(LedgerError, match="disk is full") as caught:
            ledger.append([remark("x" * 10_000)])
        assert caught.value.passing
        with ledger._engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA max_page_count=1000000")
        assert ledger.append([remark("x" * 10_000)])[0].number == 2
        assert ledger.verify().intact


def test_threads_that_append_at_once_number_without_gaps(ledger):
    def write(name: int) -> list[int]:
        return [ledger.append([remark(f"{name}/{i}")])[0].number for i in range(20)]

    with ThreadPoolExecutor(6) as pool:
        numbers = sorted(number for each in pool.map(write, range(6)) for number in each)
    assert numbers == list(range(1, 121))
    assert ledger.verify().intact


WRITER = """
import sys
from contactd.core.record import REMARK, Record
from contactd.records.ledger import Ledger
url, name, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
with Ledger.open(url, patience_s=20.0) as ledger:
    for turn in range(count):
        made = [Record(float(turn), REMARK, name, name, {"turn": turn, "part": part},
                       identity=f"{name}-{turn}-{part}") for part in range(3)]
        stored = ledger.append(made)
        print(stored[-1].number, flush=True)
"""


def start_writer(url: str, name: str, count: int) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, url, name, str(count)], stdout=subprocess.PIPE, text=True
    )


@pytest.mark.process
def test_processes_that_create_and_fill_one_ledger_at_once_chain_it_without_gaps(url):
    writers = [start_writer(url, f"writer {name}", 25) for name in range(4)]
    for writer in writers:
        writer.communicate(timeout=120)
        assert writer.returncode == 0
    with Ledger.open(url) as ledger:
        assert ledger.last_number() == 4 * 25 * 3
        found = ledger.verify()
        assert found.intact
        assert found.records == 300
        for name in range(4):
            turns = [r.body["turn"] for r in ledger.records() if r.subject == f"writer {name}"]
            assert turns == sorted(turns)


@pytest.mark.process
def test_kill_9_in_the_middle_of_appends_loses_nothing_that_was_promised(url):
    Ledger.open(url).close()
    rng = random.Random(8)
    promised = 0
    for loop in range(int(os.environ.get("CONTACTD_KILLS", "6"))):
        writer = start_writer(url, f"loop {loop}", 100_000)
        assert writer.stdout is not None
        lines: list[str] = []
        reader = threading.Thread(target=lambda w=writer, kept=lines: kept.extend(w.stdout))
        reader.start()
        while len(lines) < 2:
            assert writer.poll() is None
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, 0.05))
        os.kill(writer.pid, signal.SIGKILL)
        writer.wait()
        reader.join()
        writer.stdout.close()
        whole = [line for line in lines if line.endswith("\n")]
        promised = max(promised, int(whole[-1]))
        with Ledger.open(url) as ledger:
            assert ledger.last_number() >= promised
            assert ledger.verify().intact
            turns = [r for r in ledger.records() if r.subject == f"loop {loop}"]
            assert len(turns) % 3 == 0, "an append is whole or not there"
            assert len(turns) >= 3 * len(whole)


def test_what_the_ledger_promises_is_asked_of_sqlite(ledger):
    with ledger._engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2


COLD = """
import sys
from contactd.records.ledger import Ledger
assert "sqlalchemy" not in sys.modules, "naming the ledger must not load a database library"
Ledger.open(sys.argv[1]).close()
assert "sqlalchemy" in sys.modules
assert "alembic" not in sys.modules, "a ledger that is up to date needs no migrations"
"""


@pytest.mark.process
def test_a_current_ledger_is_opened_without_loading_the_migrations(url):
    Ledger.open(url).close()
    subprocess.run([sys.executable, "-c", COLD, url], check=True, timeout=60)


def test_the_newest_migration_is_the_one_that_the_schema_names():
    from alembic.script import ScriptDirectory

    from contactd.records.database import MIGRATIONS
    from contactd.records.schema import NEWEST

    assert ScriptDirectory(str(MIGRATIONS)).get_current_head() == NEWEST
    assert Path(MIGRATIONS).is_dir()


def test_the_migrations_make_exactly_the_tables_of_the_schema(ledger):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from contactd.records.schema import metadata

    with ledger._engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
