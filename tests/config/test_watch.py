"""Changes of files are noticed once, when they hold still, and editors' scraps are not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from contactd.config.files import is_scrap
from contactd.config.watch import MOST_RESTLESS_LOOKS, FileWatch, fingerprint


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    config = tmp_path / "config"
    (config / "targets").mkdir(parents=True)
    (config / "targets" / "a.yaml").write_text("name: A\n")
    return config


def looks(watch: FileWatch, count: int) -> list[bool]:
    return [watch.look() for _ in range(count)]


def test_nothing_is_told_while_nothing_changes(folder: Path) -> None:
    assert looks(FileWatch(folder), 4) == [False] * 4


def test_a_new_file_is_told_once_it_holds_still(folder: Path) -> None:
    watch = FileWatch(folder)
    (folder / "targets" / "b.yaml").write_text("name: B\n")
    assert looks(watch, 4) == [False, True, False, False]


def test_a_new_folder_with_files_is_told(folder: Path) -> None:
    watch = FileWatch(folder)
    (folder / "stations").mkdir()
    (folder / "stations" / "b.yaml").write_text("name: B\n")
    assert looks(watch, 3) == [False, True, False]


def test_a_removed_file_is_told(folder: Path) -> None:
    watch = FileWatch(folder)
    (folder / "targets" / "a.yaml").unlink()
    assert looks(watch, 3) == [False, True, False]


def test_a_file_that_is_replaced_by_one_of_equal_size_and_date_is_told(folder: Path) -> None:
    path = folder / "targets" / "a.yaml"
    before = path.stat()
    watch = FileWatch(folder)
    draft = folder / "targets" / ".draft"
    draft.write_text("name: B\n")
    os.utime(draft, ns=(before.st_atime_ns, before.st_mtime_ns))
    draft.replace(path)
    assert looks(watch, 3) == [False, True, False]


def test_a_file_that_is_still_being_written_is_not_told_yet(folder: Path) -> None:
    watch = FileWatch(folder)
    path = folder / "targets" / "b.yaml"
    told = []
    for number in range(3):
        with path.open("a") as file:
            file.write(f"line {number}\n")
        told.append(watch.look())
    assert told == [False] * 3
    assert looks(watch, 2) == [True, False]


def test_a_file_that_never_holds_still_is_told_all_the_same(folder: Path) -> None:
    watch = FileWatch(folder)
    path = folder / "targets" / "b.yaml"
    told = []
    for number in range(2 * MOST_RESTLESS_LOOKS):
        with path.open("a") as file:
            file.write(f"line {number}\n")
        told.append(watch.look())
    assert told.count(True) == 2


def test_a_change_that_is_taken_back_is_not_told(folder: Path) -> None:
    watch = FileWatch(folder)
    path = folder / "targets" / "b.yaml"
    path.write_text("name: B\n")
    assert not watch.look()
    path.unlink()
    assert looks(watch, 3) == [False] * 3


@pytest.mark.parametrize(
    "name",
    [".a.yaml.swp", ".#a.yaml", "#a.yaml#", "a.yaml~", "4913", "a.yaml.tmp", ".a.yaml.draft"],
)
def test_editors_scraps_are_not_told(folder: Path, name: str) -> None:
    watch = FileWatch(folder)
    (folder / "targets" / name).write_text("half")
    assert is_scrap(name)
    assert looks(watch, 3) == [False] * 3


def test_a_dangling_link_and_a_pipe_are_looked_at_without_waiting(folder: Path) -> None:
    watch = FileWatch(folder)
    (folder / "targets" / "b.yaml").symlink_to(folder / "nowhere.yaml")
    os.mkfifo(folder / "targets" / "c.yaml")
    assert looks(watch, 3) == [False, True, False]


def test_a_file_elsewhere_that_is_referred_to_is_watched(folder: Path, tmp_path: Path) -> None:
    elements = tmp_path / "elements.tle"
    watch = FileWatch(folder, [elements])
    elements.write_text("1 …\n")
    assert looks(watch, 3) == [False, True, False]


def test_referring_to_other_files_tells_nothing_and_misses_nothing(
    folder: Path, tmp_path: Path
) -> None:
    old, new = tmp_path / "old.tle", tmp_path / "new.tle"
    old.write_text("old")
    new.write_text("new")
    watch = FileWatch(folder, [old])
    (folder / "targets" / "b.yaml").write_text("name: B\n")  # between reading and referring
    watch.refer_to([new])
    assert looks(watch, 3) == [False, True, False]
    new.write_text("newer")
    assert looks(watch, 3) == [False, True, False]
    old.write_text("no longer of interest")
    assert looks(watch, 3) == [False] * 3


def test_a_folder_that_is_gone_and_comes_back_is_told(folder: Path) -> None:
    watch = FileWatch(folder)
    away = folder.with_name("away")
    folder.rename(away)
    assert looks(watch, 3) == [False, True, False]
    away.rename(folder)
    assert looks(watch, 3) == [False, True, False]


def test_a_fingerprint_reads_no_file(folder: Path) -> None:
    path = folder / "targets" / "a.yaml"
    path.chmod(0o000)
    assert any(each[0] == str(path) and each[1] == 8 for each in fingerprint(folder))
