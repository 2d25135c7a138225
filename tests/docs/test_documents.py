"""What the documents say is so: their outputs, examples, links and lists."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import documents
import pytest

PROJECT = Path(__file__).parents[2]
DOCUMENTS = documents.DOCUMENTS
MOST_README_LINES = 200
CONTACTD = Path(sys.executable).with_name("contactd")


def name_of(document: Path) -> str:
    return str(document.relative_to(PROJECT))


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_the_outputs_in_a_document_are_what_the_commands_print(document: Path):
    text = document.read_text()
    made = documents.rewritten(CONTACTD, text, kinds=("output",))
    assert made == text, "'python3 deploy/local generate' makes the outputs anew"


def test_the_readme_is_read_in_one_go_and_shows_what_the_program_prints():
    text = documents.README.read_text()
    assert len(text.splitlines()) < MOST_README_LINES
    assert len(documents.BLOCK.findall(text)) >= 3


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_no_output_in_a_document_is_wider_than_a_terminal(document: Path):
    for found in documents.BLOCK.finditer(document.read_text()):
        if found[2] == "output":
            _, _, printed = found[0].partition("$ ")[2].partition("\n")
            assert max(map(len, printed.splitlines()[:-2])) <= 80, found[3]


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_the_python_examples_of_a_document_run(document: Path):
    names: dict[str, object] = {"__name__": document.stem}
    for example in re.findall(r"^```python\n(.*?)^```", document.read_text(), re.S | re.M):
        exec(compile(example, document.name, "exec"), names)


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_what_a_document_links_to_exists(document: Path):
    for target in re.findall(r"\]\(([^)#]+)\)", document.read_text()):
        if "://" not in target:
            assert (document.parent / target).exists(), target


def test_the_readme_begins_with_the_job_and_the_two_commands():
    title, job, _, commands = documents.README.read_text().split("\n\n")[:4]
    assert title == "# contactd"
    assert "countdown" in job
    lines = commands.strip("`sh\n").splitlines()
    assert [line.split("  ")[0] for line in lines] == [
        "python3 deploy/local demo",
        "python3 deploy/local test",
    ]


def test_every_task_that_a_document_names_is_there():
    helped = subprocess.run(
        [sys.executable, "deploy/local", "--help"],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    for document in DOCUMENTS:
        for task in re.findall(r"python3 deploy/local (\w+)", document.read_text()):
            assert re.search(rf"^\s+{task}\b", helped, re.M), f"{name_of(document)}: {task}"


def test_every_command_that_a_document_names_is_there():
    helped = subprocess.run([CONTACTD, "--help"], capture_output=True, text=True, check=True).stdout
    for document in DOCUMENTS:
        for command in re.findall(r"`contactd (\w+)", document.read_text()):
            assert re.search(rf"^  {command}\b", helped, re.M), f"{name_of(document)}: {command}"


def test_every_dependency_and_every_extra_has_its_reason():
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    declared = {re.split(r"[><=\[]", line)[0] for line in project["dependencies"]}
    text = (PROJECT / "DEVELOPERS.md").read_text()
    table = re.findall(r"^\| ([\w-]+) \| [^|]+ \| +[\d.]+ ", text, re.M)
    assert set(table) == declared
    extras = re.findall(r"^\| `(\w+)` \| [^|]+ \| [^|]+ \|$", text, re.M)
    assert set(extras) == set(project["optional-dependencies"])


def test_the_paths_that_a_document_names_exist():
    text = (PROJECT / "DEVELOPERS.md").read_text()
    for path in re.findall(r"`((?:contactd|tests|deploy)/[\w/.]+)`", text):
        assert (PROJECT / path).exists(), path
