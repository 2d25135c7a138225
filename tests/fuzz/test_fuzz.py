"""Every reader survives a fixed count of coverage-guided fuzzing, from good examples."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz import CORPUS, READERS, reader

FUZZ = Path(__file__).with_name("fuzz.py")
RUNS = int(os.environ.get("CONTACTD_FUZZ_RUNS", "3000"))


@pytest.mark.parametrize("name", READERS)
def test_the_corpus_begins_with_something_that_is_read(name: str) -> None:
    examples = sorted((CORPUS / name).glob("*"))
    assert examples
    assert any(reader(name)(path.read_bytes()) is not None for path in examples[:1])


@pytest.mark.parametrize("name", READERS)
def test_nothing_breaks_the_reader(name: str, tmp_path: Path) -> None:
    pytest.importorskip("atheris", reason="atheris has no wheel for this Python")
    # A copy: libFuzzer adds what it finds to the folder that it is given.
    shutil.copytree(CORPUS / name, tmp_path / "corpus")
    command = [sys.executable, FUZZ, name, f"-runs={RUNS}", "-seed=1", tmp_path / "corpus"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr[-3000:]
    counted = re.search(r"Done (\d+) runs", done.stderr)
    assert counted, done.stderr[-1000:]
    assert int(counted[1]) >= RUNS
