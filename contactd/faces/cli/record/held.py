"""``contactd record held``: countdowns stand still."""

from __future__ import annotations

from contactd.core.record import SEQUENCE_HELD
from contactd.faces.cli.record.event import event_command

command = event_command(
    "held",
    SEQUENCE_HELD,
    "Record that the countdowns of SEQUENCE of TARGET, or of one step, are held.",
    of_step=True,
)
