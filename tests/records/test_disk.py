"""Disks that fill up, turn read-only, lose files and damage them: real ones, though small.

Each test runs as a process of its own in a mount namespace, where it may mount what it likes.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.process

COMMON = """
import asyncio, os, shutil, sqlite3, subprocess, sys
from pathlib import Path
from contactd.core.errors import LedgerError
from contactd.core.record import REMARK, Record
from contactd.records import Ledger
from contactd.service.store import Store

disk = Path(sys.argv[1])

def mount(options):
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", disk], check=True)

def remark(text, size=100):
    return Record(1.0, REMARK, "s", "Ada", {"text": text, "filler": "x" * size}, identity=text)

def trouble_of(deed):
    try:
        deed()
    except LedgerError as error:
        return error
    raise AssertionError("no trouble")

mount(f"size={sys.argv[2]}")
url = f"sqlite:///{disk}/ledger.sqlite"
ledger = Ledger.open(url, patience_s=0.2)
ledger.append([remark("before")])
"""


def run(tmp_path: Path, script: str, size: str = "1m") -> None:
    if subprocess.run(["unshare", "-rm", "true"], capture_output=True).returncode != 0:
        reason = "this machine lets nobody make a mount namespace"
        if os.environ.get("CONTACTD_REQUIRE_PROGRAMS") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    disk = tmp_path / "disk"
    disk.mkdir()
    command = ["unshare", "-rm", sys.executable, "-c", COMMON + script, str(disk), size]
    made = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert made.returncode == 0, made.stderr


def test_a_disk_that_is_full_is_said_to_be_and_what_was_held_is_written_when_there_is_room(
    tmp_path,
):
    run(
        tmp_path,
        """
        filler = disk / "filler"
        with filler.open("wb", buffering=0) as out:
            try:
                while True:
                    out.write(b"x" * 4096)
            except OSError:
                pass
        error = trouble_of(lambda: [ledger.append([remark(f"{n}", 5000)]) for n in range(400)])
        assert error.passing and "disk is full" in str(error), error
        stored = ledger.last_number()
        assert [each.number for each in ledger.since(0)] == list(range(1, stored + 1))

        async def watch():
            store = Store(ledger)
            while await store.exchange():
                pass
            held = [remark(f"held {n}", 5000) for n in range(30)]
            assert await store.exchange(held) == []
            assert "disk is full" in store.trouble
            assert list(store.held) == held
            filler.unlink()
            news = await store.exchange()
            assert [each.identity for each in news] == [each.identity for each in held]
            assert store.trouble == "" and not store.held

        asyncio.run(watch())
        assert ledger.verify().intact and ledger.last_number() == stored + 30
        """.replace("\n        ", "\n"),
    )


def test_a_disk_that_turns_read_only_is_said_to_be_and_can_be_used_again_afterwards(tmp_path):
    run(
        tmp_path,
        """
        ledger._engine.dispose()
        mount("remount,ro")
        error = trouble_of(lambda: ledger.append([remark("meanwhile")]))
        assert error.passing, error
        assert "read-only" in str(error) or "cannot be opened" in str(error), error
        mount("remount,rw")
        ledger.append([remark("after")])
        assert [each.identity for each in ledger.since(0)] == ["before", "after"]
        """.replace("\n        ", "\n"),
    )


def test_a_file_that_is_taken_away_is_missed_at_once_and_nothing_goes_into_nowhere(tmp_path):
    run(
        tmp_path,
        """
        os.rename(disk / "ledger.sqlite", disk / "away.sqlite")
        error = trouble_of(lambda: ledger.append([remark("meanwhile")]))
        assert error.passing and "is gone: put it back" in str(error), error
        assert trouble_of(lambda: ledger.since(0)).passing
        os.rename(disk / "away.sqlite", disk / "ledger.sqlite")
        ledger.append([remark("after")])
        assert [each.identity for each in ledger.since(0)] == ["before", "after"]
        """.replace("\n        ", "\n"),
    )


def test_a_damaged_file_is_said_to_be_and_a_copy_that_is_put_in_its_place_is_used(tmp_path):
    run(
        tmp_path,
        """
        for n in range(60):
            ledger.append([remark(f"{n}", 3000)])
        copy = sqlite3.connect(disk / "copy.sqlite")
        source = sqlite3.connect(disk / "ledger.sqlite")
        source.backup(copy)
        source.close(), copy.close()
        ledger.append([remark("not in the copy")])
        ledger._engine.dispose()
        file = disk / "ledger.sqlite"
        pages = bytearray(file.read_bytes())
        for place in range(4096, len(pages), 4096):
            pages[place : place + 64] = bytes([0xA5]) * 64
        file.write_bytes(pages)
        error = trouble_of(lambda: ledger.since(0))
        assert not error.passing and "damaged" in str(error), error
        trouble_of(lambda: ledger.append([remark("meanwhile")]))
        os.replace(disk / "copy.sqlite", file)
        ledger.append([remark("not in the copy"), remark("meanwhile")])
        assert ledger.verify().intact
        assert ledger.since(61)[-1].identity == "meanwhile"
        """.replace("\n        ", "\n"),
        size="8m",
    )


def test_a_new_ledger_on_a_full_disk_is_refused_in_words_and_leaves_no_ruin(tmp_path):
    run(
        tmp_path,
        """
        ledger.close()
        (disk / "ledger.sqlite").unlink()
        (disk / "filler").write_bytes(b"x" * (1024 * 1024 - 16384))
        error = trouble_of(lambda: Ledger.open(url, patience_s=0.2))
        assert error.passing, error
        assert "disk is full" in str(error) or "disk reports an error" in str(error), error
        (disk / "filler").unlink()
        with Ledger.open(url) as again:
            assert again.append([remark("first")])[0].number == 1
        """.replace("\n        ", "\n"),
    )
