"""``contactd record power-loss``: the clocks lost their power."""

from __future__ import annotations

from contactd.core.record import POWER_LOSS
from contactd.faces.cli.record.event import event_command

command = event_command(
    "power-loss",
    POWER_LOSS,
    "Record that the clocks of SEQUENCE of TARGET lost their power.",
    of_step=False,
)
