"""``contactd record …``: entering into the ledger what somebody learned, decided or saw."""

from __future__ import annotations

import click

from contactd.faces.cli.lazy import Lazy, LazyGroup

_HERE = "contactd.faces.cli.record"

# One line each, so that the help imports no statement; the commands are made from the statements.
STATED = {
    "start": "Record a start.",
    "attempt": "Record a possible start.",
    "no-start": "Record that it did not start.",
    "plan": "Record a planned start.",
    "setting": "Record a timer's setting.",
    "reading": "Record a countdown reading.",
    "confirmed": "Record a step's seen effect.",
    "not-confirmed": "Record a step that was watched for and not seen.",
    "sent": "Record a sent command.",
    "heard": "Record whether it was heard.",
    "contact": "Record a contact that was held.",
    "stopped": "Record a stop that took effect.",
    "hold": "Record held countdowns.",
    "resume": "Record resumed countdowns.",
    "power-loss": "Record a loss of power.",
    "decision": "Record a decision.",
    "missed": "Record a missed contact.",
    "aos": "Record an observed AOS.",
    "los": "Record an observed LOS.",
    "correction": "Adopt or drop a corrected motion.",
    "station": "Record a station's status.",
    "definition": "Confirm a changed file.",
    "retired": "Record that something is gone.",
    "handover": "Hand over the shift.",
    "read-back": "Read back a handover.",
    "remark": "Record a remark.",
}
OBSERVED = Lazy(f"{_HERE}.observed", "Record observed AOS and LOS of many contacts (CSV).")
TRACKING = Lazy(f"{_HERE}.tracking", "Record what a tracking data message (TDM) says.")
GRANTED = Lazy(f"{_HERE}.granted", "Record a station's schedule.")


class RecordGroup(LazyGroup):
    """The commands of ``contactd record``, each made when it runs."""

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in STATED:
            return super().get_command(ctx, cmd_name)
        from contactd.faces.cli.record.stating import command_of
        from contactd.mission.statements import BY_VERB

        return command_of(BY_VERB[cmd_name])


@click.group(
    "record",
    cls=RecordGroup,
    table={
        **{verb: Lazy(f"{_HERE}.stating", summary) for verb, summary in STATED.items()},
        "granted": GRANTED,
        "tracking": TRACKING,
        "observed": OBSERVED,
    },
)
def command() -> None:
    """Record what was learned, decided or seen.

    Each shows what it changes. Records are never changed or removed; a later record may correct an
    earlier one.
    """
