"""``contactd record resumed``: held countdowns run on."""

from __future__ import annotations

from contactd.core.record import SEQUENCE_RESUMED
from contactd.faces.cli.record.event import event_command

command = event_command(
    "resumed",
    SEQUENCE_RESUMED,
    "Record that held countdowns of SEQUENCE of TARGET, or of one step, run on.",
    of_step=True,
)
