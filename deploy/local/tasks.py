"""What ``python3 deploy/local`` can do."""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import documents
import outside_programs
from debian_packages import PackagesUnavailable
from python_environment import PythonEnvironment, SetupFailed, say

PROJECT = Path(__file__).resolve().parents[2]
DEVELOPMENT = frozenset({"dev"})
DEMO_KEPT_S = 86_400.0
SHIPPED_MOMENT = "2026-11-25T09:00:00Z"
LATEST_DEMO = "var/demo/latest/config"


def main(arguments: list[str]) -> int:
    """Run one task; the exit code is 0 done, 1 something is wrong, 2 used wrongly."""
    parser = argparse.ArgumentParser(
        prog="python3 deploy/local",
        description="Set up contactd in this folder, then run or test it.",
    )
    tasks = parser.add_subparsers(dest="task", required=True, metavar="TASK")
    tasks.add_parser("demo", help="set up, then run the service on the demo (Ctrl-C ends it)")
    tasks.add_parser("setup", help="set up .venv with all that development needs")
    tasks.add_parser("generate", help="make anew what is generated: config, outputs, dashboard")
    tasks.add_parser(
        "test",
        help="set up, then run every check and every test",
        epilog="Arguments are handed to pytest, and then pytest alone runs.",
    )
    given, rest = parser.parse_known_args(arguments)
    if rest and given.task != "test":
        parser.error(f"{given.task} takes no arguments; found {' '.join(rest)}")
    environment = PythonEnvironment(PROJECT)
    try:
        if given.task == "demo":
            return demo(environment)
        if given.task == "setup":
            environment.ensure(DEVELOPMENT)
            return 0
        if given.task == "generate":
            return generate(environment)
        return check(environment, rest)
    except SetupFailed as error:
        print(f"local: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130


def demo(environment: PythonEnvironment) -> int:
    """Run the service on a demo made for the present moment, until it is told to end."""
    environment.ensure()
    os.chdir(PROJECT)
    contactd = str(environment.command("contactd"))
    config = fresh_demo(contactd)
    shown = Path(contactd).relative_to(PROJECT)
    say("in another terminal:")
    for command in ("forecast", "contacts"):
        say(f"  {shown} {command} --config {LATEST_DEMO}")
    say(f"Ctrl-C ends {shown} run --config {config}")
    os.execv(contactd, [contactd, "run", "--config", str(config)])


def fresh_demo(contactd: str) -> Path:
    """Folder of a demo configuration made for this moment; those of days past are removed.

    Each run has a folder, and so a ledger, of its own: a demo that still runs keeps its files, and
    a new one says everything from the beginning.
    """
    demos = PROJECT / "var" / "demo"
    latest = demos / "latest"
    for old in demos.glob("*Z"):
        if time.time() - old.stat().st_mtime > DEMO_KEPT_S:
            shutil.rmtree(old)
    made = demos / time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    config = str(made / "config")
    subprocess.run([contactd, "demo", config], check=True, stdout=subprocess.DEVNULL)
    link = demos / f"{made.name}.link"
    link.symlink_to(made.name)
    link.replace(latest)
    return made.relative_to(PROJECT) / "config"


def generate(environment: PythonEnvironment) -> int:
    """Make anew what is generated from the running program."""
    environment.ensure(DEVELOPMENT)
    # The shipped example is the demo of one fixed moment.
    shipped = (
        "from pathlib import Path; from contactd.config.demo import write_demo; "
        "from contactd.core.instants import from_text; "
        f"write_demo(Path('config'), from_text('{SHIPPED_MOMENT}'))"
    )
    subprocess.run([str(environment.python), "-c", shipped], cwd=PROJECT, check=True)
    for document in documents.DOCUMENTS:
        text = document.read_text()
        document.write_text(documents.rewritten(environment.command("contactd"), text))
    folder = PROJECT / "deploy" / "dashboard"
    command = [str(environment.python), str(folder / "generate.py")]
    made = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    (folder / "contactd.json").write_text(made)
    return 0


def check(environment: PythonEnvironment, pytest_arguments: list[str]) -> int:
    """Run the linters and the tests; all of them, even when an early one finds something."""
    environment.ensure(DEVELOPMENT)
    provide_programs()
    python = str(environment.python)
    pytest = [python, "-m", "pytest", *(pytest_arguments or all_tests())]
    if pytest_arguments:
        return _run(pytest)
    steps = {
        "ruff check": [str(environment.command("ruff")), "check", "."],
        "ruff format": [str(environment.command("ruff")), "format", "--check", "."],
        "mypy": [python, "-m", "mypy"],
        "lint-imports": [str(environment.command("lint-imports"))],
        "pytest": pytest,
    }
    failed = []
    for name, command in steps.items():
        say(name)
        began = time.monotonic()
        code = _run(command)
        say(f"{name} {'failed' if code else 'passed'} in {time.monotonic() - began:.1f} s")
        failed += [name] if code else []
    if failed:
        say(f"FAILED: {', '.join(failed)}")
    return 1 if failed else 0


def all_tests() -> list[str]:
    """Arguments of pytest that run every test but those that compare speeds.

    Much of the time goes by in waiting for real processes: two workers more than there are cores.
    """
    workers = (os.cpu_count() or 1) + 2
    return ["--quiet", f"--numprocesses={workers}", "--dist=worksteal", "-m", "not benchmark"]


def provide_programs() -> None:
    """Fetch the outside programs that are missing, or say what follows without them."""
    missing = outside_programs.missing()
    if not missing:
        return
    say(f"fetching programs to test against (once): {', '.join(missing)}")
    try:
        outside_programs.provide()
    except PackagesUnavailable as error:
        say(f"they cannot be had ({error}): the tests that need them are skipped")


def _run(command: list[str]) -> int:
    sys.stdout.flush()
    return subprocess.run(command, cwd=PROJECT, stdin=subprocess.DEVNULL).returncode
