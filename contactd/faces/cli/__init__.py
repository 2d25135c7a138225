"""The command line. Each command is one small module that only its own run imports.

To add a command: write ``contactd/faces/cli/<name>.py`` with a click command named ``command``,
and give it its line in the table below.
"""

from __future__ import annotations

from typing import Any

import click

from contactd.faces.cli.lazy import Lazy, LazyGroup
from contactd.faces.cli.output import WRONG, errors_reported
from contactd.faces.cli.session import Clock, Rehearse, Run, Session, current

_HERE = "contactd.faces.cli"

COMMANDS = {
    "run": Lazy(f"{_HERE}.run", "Run the service: watch, alert, keep records."),
    "check": Lazy(f"{_HERE}.check", "Check all configuration and say what it holds."),
    "contacts": Lazy(f"{_HERE}.contacts", "List contacts of targets with stations."),
    "forecast": Lazy(
        f"{_HERE}.forecast", "Show when each step expires, and whether it is covered."
    ),
    "align": Lazy(f"{_HERE}.align", "Find settings and start times that keep steps covered."),
    "allocate": Lazy(f"{_HERE}.allocate", "Allocate station time; explain losses."),
    "record": Lazy(f"{_HERE}.record", "Record facts in the ledger."),
    "orbit": Lazy(f"{_HERE}.orbit", "Show what observations teach of each orbit."),
    "identify": Lazy(f"{_HERE}.identify", "Tell which of several objects is the target."),
    "state": Lazy(f"{_HERE}.state", "Show what is known, or was known at an earlier time."),
    "acknowledge": Lazy(f"{_HERE}.acknowledge", "Acknowledge alerts."),
    "undelivered": Lazy(f"{_HERE}.undelivered", "List undelivered messages; retry them."),
    "silence": Lazy(f"{_HERE}.silence", "Hold alerts back for a while."),
    "ledger": Lazy(f"{_HERE}.ledger", "Show, verify or export the ledger."),
    "export": Lazy(f"{_HERE}.export", "Export calendars, elements and ephemerides."),
    "handover": Lazy(f"{_HERE}.handover", "Print what the next shift must know."),
    "review": Lazy(f"{_HERE}.review", "Compare planned with actual, after the fact."),
    "rehearse": Lazy(f"{_HERE}.rehearse", "Rehearse a script on a simulated clock."),
    "token": Lazy(f"{_HERE}.token", "Make a token for the page or for programs."),
    "demo": Lazy(f"{_HERE}.demo", "Write a demo configuration of the present day."),
}


class Root(LazyGroup):
    """The outermost group: turns operating errors into lines on standard error."""

    def invoke(self, ctx: click.Context) -> Any:
        with errors_reported():
            answer = super().invoke(ctx)
        if current().wrong:
            ctx.exit(WRONG)
        return answer


def build(clock: Clock, run: Run, rehearse: Rehearse) -> click.Group:
    """The command ``contactd``.

    Args:
        clock: whoever knows the present; asked once a command.
        run: the daemon, as ``run(config_dir, options)``; its result is the exit code (None: 0).
        rehearse: a rehearsal, as ``rehearse(script, options)``; its result is the report.
    """
    session = Session(clock, run, rehearse)

    @click.group(
        "contactd",
        cls=Root,
        table=COMMANDS,
        context_settings={"help_option_names": ["-h", "--help"], "obj": session},
        epilog="Times are UTC. Exit codes: 0 done, 1 found something wrong, 2 used wrongly.",
    )
    @click.version_option(
        None, "--version", package_name="contactd", message="contactd %(version)s"
    )
    def contactd() -> None:
        """Contacts, onboard countdowns, and timely alerts.

        Predict when ground stations see a satellite, keep the countdowns that run aboard it,
        and say beforehand when a step expires uncovered.
        """

    return contactd
