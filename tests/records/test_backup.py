"""Copies of a ledger are whole or are none; a damaged one is kept, and gone on from."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest

from contactd.core.errors import LedgerError
from contactd.core.record import REMARK, Record
from contactd.records import Ledger
from contactd.records.backup import archives_of, back_up, damage_of, recover, restore
from contactd.records.lock import LedgerInUse, ServiceLock
from contactd.service.archiving import archive

DAY_S = 86_400.0
PAGE_BYTES = 4096


def remarks(first: int, count: int, at: float = 1.0) -> list[Record]:
    return [
        Record(at, REMARK, "s", "Ada", {"text": f"remark {each} " + "x" * 200}, f"r{each}")
        for each in range(first, first + count)
    ]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "var" / "ledger.sqlite"


@pytest.fixture
def ledger(file: Path) -> Ledger:
    made = Ledger.open(f"sqlite:///{file}")
    made.append(remarks(0, 500))
    return made


def identities(file: Path) -> list[str]:
    with Ledger.open(f"sqlite:///{file}", create=False) as opened:
        return [each.identity for each in opened.records()]


def spoil(file: Path, page: int) -> None:
    """Overwrite one page, as a failing disk might."""
    with sqlite3.connect(file) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    with file.open("r+b") as raw:
        raw.seek(page * PAGE_BYTES)
        raw.write(b"\xa5" * PAGE_BYTES)


def middle(file: Path) -> int:
    return file.stat().st_size // PAGE_BYTES // 2


def test_a_copy_made_while_records_are_written_is_whole_and_its_owners_alone(
    file: Path, ledger: Ledger, tmp_path: Path
) -> None:
    over = threading.Event()

    def write() -> None:
        number = 1000
        while not over.is_set():
            ledger.append(remarks(number, 5))
            number += 5

    writer = threading.Thread(target=write)
    writer.start()
    try:
        found = back_up(file, tmp_path / "copies" / "one.sqlite")
    finally:
        over.set()
        writer.join()
    copied = identities(tmp_path / "copies" / "one.sqlite")
    assert found.intact
    assert copied == identities(file)[: len(copied)]
    assert len(copied) >= 500
    assert (tmp_path / "copies" / "one.sqlite").stat().st_mode & 0o777 == 0o600
    assert [each.name for each in (tmp_path / "copies").iterdir()] == ["one.sqlite"]
    ledger.close()


def test_a_copy_has_the_archives_too_and_overwrites_nothing(
    file: Path, ledger: Ledger, tmp_path: Path
) -> None:
    ledger.append(remarks(600, 5, at=90 * DAY_S))
    archive(ledger, 30 * DAY_S, 100 * DAY_S)
    ledger.close()
    to = tmp_path / "copy.sqlite"
    assert back_up(file, to).records == 505
    assert list(archives_of(to).iterdir())
    assert identities(to) == identities(file)
    with pytest.raises(LedgerError, match="exists already"):
        back_up(file, to)


def test_a_copy_that_is_not_whole_is_no_copy_and_is_not_put_back(
    file: Path, ledger: Ledger, tmp_path: Path
) -> None:
    ledger.close()
    good = tmp_path / "good.sqlite"
    back_up(file, good)
    before = identities(file)
    with sqlite3.connect(good) as connection:
        triggers = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in triggers.fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("UPDATE record SET author = 'Eve' WHERE number = 250")
    connection.close()
    with pytest.raises(LedgerError, match="record 250"):
        restore(good, file, "x")
    with pytest.raises(LedgerError, match="record 250"):
        back_up(good, tmp_path / "again.sqlite")
    assert not (tmp_path / "again.sqlite").exists()
    assert identities(file) == before
    assert sorted(each.name for each in file.parent.iterdir()) == ["ledger.sqlite"]


def test_what_is_put_back_is_the_copy_and_the_ledger_before_it_is_kept(
    file: Path, ledger: Ledger, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.sqlite"
    back_up(file, copy)
    ledger.append(remarks(700, 5))
    ledger.close()
    found, aside = restore(copy, file, "x")
    assert (found.records, len(identities(file))) == (500, 500)
    assert aside is not None
    assert len(identities(aside)) == 505


def test_damage_is_seen_and_a_sound_ledger_that_is_in_use_is_not_called_damaged(
    file: Path, ledger: Ledger
) -> None:
    assert damage_of(file) == ""
    ledger.close()
    spoil(file, middle(file))
    assert damage_of(file)
    file.write_bytes(b"no ledger at all" * 1000)
    assert damage_of(file)


def test_of_a_damaged_ledger_all_up_to_the_damage_is_gone_on_from(
    file: Path, ledger: Ledger
) -> None:
    before = [each.identity for each in ledger.records()]
    ledger.close()
    spoil(file, middle(file))
    found = recover(file, [], "x")
    kept = identities(file)
    assert 0 < len(kept) < 500
    assert kept == before[: len(kept)]
    assert found.number == len(kept)
    assert found.aside.exists()
    assert damage_of(file) == ""


def test_a_copy_that_knows_more_than_a_damaged_ledger_is_gone_on_from(
    file: Path, ledger: Ledger, tmp_path: Path
) -> None:
    older, newer = tmp_path / "ledger-1.sqlite", tmp_path / "ledger-2.sqlite"
    back_up(file, older)
    back_up(file, newer)
    ledger.close()
    spoil(newer, middle(newer))
    spoil(file, 0)
    found = recover(file, [newer, older], "x")
    assert str(older) in found.source
    assert len(identities(file)) == 500


def test_one_service_holds_a_ledger_until_it_lets_go(file: Path) -> None:
    first = ServiceLock(file).take("now")
    with pytest.raises(LedgerInUse, match="process"):
        ServiceLock(file).take("now")
    first.release()
    ServiceLock(file).take("now").release()
