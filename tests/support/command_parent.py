"""Forks a process for each command that it is asked for; see ``command_line``."""

from __future__ import annotations

import io
import json
import os
import signal
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

WARM = (
    "alembic.command",
    "contactd.alerts.fold",
    "contactd.config.demo",
    "contactd.config.loader",
    "contactd.core.contacts.prediction",
    "contactd.core.orbit.oem",
    "contactd.core.planning",
    "contactd.core.sequences.align",
    "contactd.faces.cli",
    "contactd.faces.export.calendar",
    "contactd.records.database",
    "contactd.records.ledger",
    "contactd.records.state",
    "icalendar",
    "rich.console",
)


def main() -> None:
    """Answer each line of standard input, a JSON object, with the number of a new process."""
    for name in WARM:
        import_module(name)
    from contactd.core import instants

    instants.from_unix(0)  # reads the tables of leap seconds
    # Nobody waits for the children: each writes down its own exit code.
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    for line in sys.stdin:
        asked = json.loads(line)
        pid = os.fork()
        if pid == 0:
            run(asked)
        print(pid, flush=True)


def run(asked: dict[str, Any]) -> None:
    """Be the command, in a process of its own."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.environ.clear()
    os.environ.update(asked["environment"])
    os.chdir(asked["folder"])
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for number, name in ((1, "out"), (2, "err")):
        os.dup2(os.open(asked[name], os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), encoding="utf-8")
    sys.stderr = io.TextIOWrapper(
        io.FileIO(2, "w", closefd=False), encoding="utf-8", line_buffering=True
    )
    code = 1
    try:
        command(asked["now"])(asked["arguments"], prog_name="contactd")
    except SystemExit as leaving:
        code = leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    except BaseException:  # noqa: BLE001
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        part = Path(f"{asked['code']}.part")
        part.write_text(str(code))
        part.rename(asked["code"])
        os._exit(code)


def command(now: str) -> Any:
    """The command line with a clock that stands still, and without the daemon."""
    from contactd.core import instants
    from contactd.faces.cli import build

    class Still:
        def now(self) -> float:
            return instants.from_text(now)

    def run_daemon(config_dir: str, options: Any) -> int:
        print("run", config_dir)
        return 0

    def rehearse(script: str, options: Any) -> None:
        raise SystemExit("there is no rehearsal here")

    return build(Still(), run_daemon, rehearse)


if __name__ == "__main__":
    main()
