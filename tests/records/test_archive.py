"""Archiving: nothing leaves the ledger before it is safe in a file, and the chain runs on."""

import gzip
import json
import os
import shutil
import sqlite3
import subprocess
import sys

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core import record as kinds
from contactd.core.errors import LedgerError
from contactd.core.record import Record
from contactd.records import Ledger
from contactd.records.archive import LEAST_AGE_S, archive_until, read_file
from contactd.records.chain import BrokenHistory

DAY_S = 86_400.0
NOW = 100 * DAY_S


def filled(ledger: Ledger, count: int = 100) -> list[Record]:
    """A record a day, every tenth of them a remark, so that the last was made just now."""
    return ledger.append(
        [
            Record(
                NOW - (count - n) * DAY_S,
                kinds.REMARK if n % 10 == 0 else kinds.ALERT_DELIVERED,
                "Lantern 3",
                "Ada",
                {"n": n, "half": 0.5, "text": "ü"},
                identity=f"r{n}",
            )
            for n in range(1, count + 1)
        ]
    )


def is_remark(record: Record) -> bool:
    return record.kind == kinds.REMARK


def archive(ledger: Ledger, days: float = 30.0):
    return archive_until(ledger, NOW - days * DAY_S, NOW, is_remark)


@pytest.fixture
def ledger(any_url, tmp_path):
    with Ledger.open(any_url, archives=tmp_path / "archives") as opened:
        yield opened


def test_what_is_archived_is_in_the_file_and_what_is_needed_stays_in_the_table(ledger):
    stored = filled(ledger)
    done = archive(ledger)
    assert done.archive is not None
    assert (done.archive.first_number, done.archive.until_number, done.kept) == (1, 69, 7)
    # The remarks, and the end of the archived part of the chain.
    there = [record.number for record in ledger.since(0)]
    assert there == [10, 20, 30, 40, 50, 60, *range(69, 101)]
    assert list(ledger.records()) == stored
    assert list(ledger.records(after=40, until=80)) == stored[40:80]
    assert ledger.last_number() == 100


def test_the_chain_runs_through_the_archives_into_the_table(ledger):
    filled(ledger)
    before = ledger.verify()
    archive(ledger, 60)
    archive(ledger, 30)
    archive(ledger, 30)
    assert [each.until_number for each in ledger.archives()] == [39, 69]
    assert ledger.verify() == before
    ledger.append([Record(NOW, kinds.REMARK, "s", "Ada")])
    assert ledger.verify().intact
    assert ledger.verify().records == 101


def test_links_know_their_place_wherever_reading_begins(ledger):
    filled(ledger)
    archive(ledger, 60)
    whole = list(ledger.links())
    for after in (0, 5, 39, 40, 50, 99):
        assert list(ledger.links(after)) == whole[after:]


def test_anybody_can_check_an_archive_line_by_line(tmp_path, ledger):
    # Source: RFC 8785 and FIPS 180-4, by the rule that contactd/records/chain.py states.
    import hashlib

    filled(ledger)
    done = archive(ledger)
    before = "0" * 64
    with gzip.open(tmp_path / "archives" / done.archive.file) as lines:
        for text in lines:
            fields = json.loads(text)
            own = fields.pop("digest")
            assert fields["before"] == before
            assert hashlib.sha256(rfc8785.dumps(fields)).hexdigest() == own
            before = own
    assert before == done.archive.digest


def test_young_records_are_not_archived(ledger):
    filled(ledger)
    with pytest.raises(ValueError, match="seven days"):
        archive_until(ledger, NOW - LEAST_AGE_S + 1, NOW, is_remark)


def test_there_may_be_nothing_to_archive(ledger, tmp_path):
    filled(ledger)
    assert archive(ledger, 200).archive is None
    assert not ledger.archives()
    assert not list((tmp_path / "archives").iterdir())


def test_a_missing_archive_is_named_and_the_present_can_still_be_read(ledger, tmp_path):
    filled(ledger)
    file = tmp_path / "archives" / archive(ledger).archive.file
    file.rename(tmp_path / "elsewhere")
    with pytest.raises(BrokenHistory, match="is not there: put it back"):
        list(ledger.records())
    found = ledger.verify()
    assert not found.intact
    assert len(ledger.since(0)) == 38
    ledger.append([Record(NOW, kinds.REMARK, "s", "Ada")])
    shutil.move(tmp_path / "elsewhere", file)
    assert ledger.verify().intact


def test_a_changed_archive_is_noticed(ledger, tmp_path):
    filled(ledger)
    file = tmp_path / "archives" / archive(ledger).archive.file
    lines = gzip.decompress(file.read_bytes()).replace(b'"n":5', b'"n":6')
    file.write_bytes(gzip.compress(lines))
    with pytest.raises(BrokenHistory, match="has been changed"):
        list(ledger.records())
    assert not ledger.verify().intact


def test_a_changed_copy_in_the_table_is_noticed(tmp_path):
    file = tmp_path / "ledger.sqlite"
    with Ledger.open(f"sqlite:///{file}") as ledger:
        filled(ledger)
        archive(ledger)
        connection = sqlite3.connect(file)
        connection.execute("DROP TRIGGER record_refuses_update")
        connection.execute("UPDATE record SET author = 'Eve' WHERE number = 20")
        connection.commit()
        connection.close()
        found = ledger.verify()
        assert [fault.number for fault in found.faults] == [20]


def test_what_is_not_archived_still_cannot_be_deleted(tmp_path):
    file = tmp_path / "ledger.sqlite"
    with Ledger.open(f"sqlite:///{file}") as ledger:
        filled(ledger)
        archive(ledger)
    connection = sqlite3.connect(file)
    for change in (
        "DELETE FROM record WHERE number = 70",
        "UPDATE record SET at = 1 WHERE number = 10",
        "DELETE FROM archive",
        "UPDATE archive SET until_number = 1000",
    ):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute(change)
    connection.close()


def test_a_broken_chain_is_not_archived(tmp_path):
    file = tmp_path / "ledger.sqlite"
    with Ledger.open(f"sqlite:///{file}") as ledger:
        filled(ledger)
        connection = sqlite3.connect(file)
        connection.execute("DROP TRIGGER record_refuses_update")
        connection.execute("UPDATE record SET author = 'Eve' WHERE number = 20")
        connection.commit()
        connection.close()
        with pytest.raises(LedgerError, match="record 20 is not what was stored"):
            archive(ledger)
        assert len(ledger.since(0)) == 100


def test_a_folder_that_cannot_be_written_changes_nothing(tmp_path):
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where a folder should be")
    url = f"sqlite:///{tmp_path}/ledger.sqlite"
    with Ledger.open(url, archives=blocked / "archives") as ledger:
        filled(ledger)
        with pytest.raises(LedgerError, match="cannot be used"):
            archive(ledger)
        assert len(ledger.since(0)) == 100


KILLED = """
import os, sys
from pathlib import Path
from contactd.records import Ledger
from contactd.records import archive as module
ledger = Ledger.open(sys.argv[1])
step = sys.argv[2]
def dies(*_, **__):
    os._exit(9)
if step == "before the file is named":
    module._sha256 = dies
elif step == "before the ledger lists it":
    ledger.adopt_archive = dies
module.archive_until(ledger, 70 * 86400.0, 100 * 86400.0, lambda record: False)
"""


@pytest.mark.process
@pytest.mark.parametrize("step", ["before the file is named", "before the ledger lists it"])
def test_a_process_that_dies_while_archiving_has_changed_nothing(tmp_path, step):
    url = f"sqlite:///{tmp_path}/ledger.sqlite"
    with Ledger.open(url) as ledger:
        filled(ledger)
        before = ledger.verify()
    assert subprocess.run([sys.executable, "-c", KILLED, url, step]).returncode == 9
    with Ledger.open(url) as ledger:
        assert ledger.verify() == before
        assert len(ledger.since(0)) == 100
        assert archive(ledger).archive is not None
        assert ledger.verify() == before


def test_a_file_of_noise_is_no_archive(tmp_path):
    for name, content in {
        "empty.gz": gzip.compress(b"{}\n"),
        "noise": os.urandom(100),
        "cut.gz": gzip.compress(b"x" * 1000)[:20],
        "list.gz": gzip.compress(b"[1, 2]\n"),
    }.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(BrokenHistory, match="cannot be read"):
            list(read_file(tmp_path / name))


@settings(max_examples=25)
@given(st.lists(st.tuples(st.booleans(), st.integers(1, 40)), max_size=6))
def test_whatever_is_appended_and_archived_in_whatever_order_the_history_is_whole(
    tmp_path_factory, deeds
):
    folder = tmp_path_factory.mktemp("history")
    with Ledger.open(f"sqlite:///{folder}/ledger.sqlite") as ledger:
        stored: list[Record] = []
        for archives, amount in deeds:
            if archives:
                day = NOW - LEAST_AGE_S - amount * DAY_S
                archive_until(ledger, day, NOW, lambda record: record.number % 3 == 0)
            else:
                at = NOW - (60 - len(stored) % 50) * DAY_S
                made = Record(at, kinds.REMARK, "s", "Ada", {"n": len(stored)})
                stored += ledger.append([made] * amount)
        assert list(ledger.records()) == stored
        assert ledger.verify().intact
        assert ledger.verify().records == len(stored)
