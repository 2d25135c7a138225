"""The command line as a whole: help, what is imported when, the demo, the daemon's place."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace

import click
import pytest
from click.testing import CliRunner
from command_line import Watch, lay_watch

from contactd.faces.cli import COMMANDS, build
from contactd.faces.cli.lazy import LazyGroup

HEAVY = {"asyncio", "sqlalchemy", "alembic", "scipy", "fastapi", "uvicorn", "structlog", "httpx"}
HEAVY |= {"apscheduler", "prometheus_client", "icalendar", "dateutil", "stamina", "rich.table"}


def every_command(group: LazyGroup, before: str = "") -> dict[str, click.Command]:
    """Every command of the program, subgroups and their commands too, by its full name."""
    found: dict[str, click.Command] = {}
    for name in group.table:
        command = group.get_command(click.Context(group), name)
        assert command is not None
        found[f"{before}{name}"] = command
        if isinstance(command, LazyGroup):
            found |= every_command(command, f"{before}{name} ")
    return found


EVERY_COMMAND = every_command(LazyGroup(table=COMMANDS))


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return lay_watch(tmp_path)


@pytest.mark.parametrize("name", EVERY_COMMAND)
def test_every_command_in_the_tables_is_there_under_its_name(name: str) -> None:
    command = EVERY_COMMAND[name]
    assert command.name == name.split()[-1]
    assert command.help


def test_help_lists_each_command_and_the_exit_codes(watch: Watch) -> None:
    answer = watch("--help", config=False)
    assert answer.code == 0
    for name, lazy in COMMANDS.items():
        assert any(
            line.split()[:1] == [name] and lazy.summary in line for line in answer.out.splitlines()
        )
    assert "0 done, 1 found something wrong, 2 used wrongly" in answer.out
    assert max(map(len, answer.out.splitlines())) <= 80


@pytest.mark.parametrize("name", EVERY_COMMAND)
def test_the_help_of_every_command_fits_eighty_columns(name: str) -> None:
    def nothing(place: str, options: Mapping[str, object]) -> None:
        raise AssertionError("help runs nothing")

    # In this process: sixty times the start of another one would take a minute.
    group = build(SimpleNamespace(now=lambda: 0.0), nothing, nothing)
    answer = CliRunner(env={"COLUMNS": "80"}).invoke(group, [*name.split(), "--help"])
    assert answer.exit_code == 0
    assert answer.output.startswith(f"Usage: contactd {name} ")
    assert max(map(len, answer.output.splitlines())) <= 80


def test_a_wrong_command_is_told_with_the_nearest(watch: Watch) -> None:
    answer = watch("forcast", config=False)
    assert answer.code == 2
    assert "No command 'forcast'. Did you mean 'forecast'?" in answer.err
    answer = watch("xyz", config=False)
    assert "Use one of: run, check, contacts" in answer.err


def modules_after(*arguments: str) -> set[str]:
    """Every module that a run of the program has imported, at its end."""
    script = (
        "import atexit, sys\n"
        "atexit.register(lambda: print(*sys.modules, sep='\\n', file=sys.stderr))\n"
        "from contactd.wiring import main\n"
        "main()\n"
    )
    finished = subprocess.run(
        [sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=False
    )
    assert finished.returncode == 0
    return set(finished.stderr.splitlines())


def test_contacts_imports_nothing_that_only_the_daemon_needs(watch: Watch) -> None:
    loaded = modules_after("contacts", "--config", str(watch.config))
    assert not loaded & HEAVY
    others = {f"contactd.faces.cli.{name}" for name in COMMANDS} - {"contactd.faces.cli.contacts"}
    assert not loaded & others
    assert "contactd.mission.statements" not in loaded


def test_help_imports_not_even_numpy() -> None:
    assert not modules_after("--help") & (HEAVY | {"numpy", "pydantic", "rich", "yaml"})


def test_a_forecast_without_a_ledger_opens_none(watch: Watch) -> None:
    loaded = modules_after("forecast", "--config", str(watch.config))
    assert not loaded & HEAVY
    assert not (watch.folder / "var").exists()


def test_the_machines_own_clock_is_used_without_being_told(watch: Watch) -> None:
    answer = watch("contacts", "--from", "now", "--to", "+1min", "--format", "json", now=None)
    assert answer.code == 0
    # The later the day of the test, the staler the elements: that alone may be remarked.
    assert answer.err.partition(":")[0] in ("", "note", "caution"), answer.err


def test_the_demo_is_written_checked_and_forecast(tmp_path: Path) -> None:
    watch = Watch(tmp_path)
    assert watch("demo", "config", config=False).code == 0
    assert watch("check").code == 0
    forecast = watch("forecast", "--format", "json")
    assert (forecast.code, forecast.err) == (0, "")
    verdicts = {step["coverage"] for step in forecast.json}
    assert {"covered", "uncovered"} <= verdicts
    again = watch("demo", "config", config=False)
    assert again.code == 2
    assert "Name a new or an empty folder" in again.err


def test_run_is_handed_the_folder_and_its_exit_code_is_passed_on(watch: Watch) -> None:
    answer = watch("run")
    assert (answer.code, answer.out) == (0, f"run {watch.config}\n")


def test_colour_is_for_terminals_only(watch: Watch) -> None:
    import os
    import pty

    reading, writing = pty.openpty()
    command = [sys.executable, "-m", "contactd", "forecast", "--config", str(watch.config)]
    environment = {"PATH": os.environ["PATH"], "TERM": "xterm-256color", "COLUMNS": "80"}
    for extra, coloured in ({}, True), ({"NO_COLOR": "1"}, False):
        process = subprocess.Popen(command, stdout=writing, env={**environment, **extra})
        assert process.wait(timeout=60) == 0
        seen = os.read(reading, 100_000).decode()
        assert bool(re.search(r"\x1b\[[0-9;]*3[0-7]m", seen)) is coloured
    os.close(writing)
    os.close(reading)
