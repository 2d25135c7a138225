"""``contactd record …``: entering into the ledger what somebody learned, decided or saw."""

from __future__ import annotations

import click

from contactd.faces.cli.lazy import Lazy, LazyGroup

_HERE = "contactd.faces.cli.record"

KINDS = {
    "plan": Lazy(f"{_HERE}.plan", "Somebody means to start a sequence."),
    "start": Lazy(f"{_HERE}.start", "A sequence has started."),
    "attempt": Lazy(f"{_HERE}.attempt", "Something may have started a sequence."),
    "refute": Lazy(f"{_HERE}.refute", "A sequence did not start."),
    "setting": Lazy(f"{_HERE}.setting", "A dial has been set."),
    "reading": Lazy(f"{_HERE}.reading", "A countdown showed so much."),
    "seen": Lazy(f"{_HERE}.seen", "A step's effect was seen."),
    "not-seen": Lazy(f"{_HERE}.not_seen", "A step was watched for, and not seen."),
    "sent": Lazy(f"{_HERE}.sent", "A command was sent."),
    "stop": Lazy(f"{_HERE}.stop", "A stop has taken effect."),
    "held": Lazy(f"{_HERE}.held", "Countdowns stand still."),
    "resumed": Lazy(f"{_HERE}.resumed", "Held countdowns run on."),
    "power-loss": Lazy(f"{_HERE}.power_loss", "The clocks lost their power."),
    "ruling": Lazy(f"{_HERE}.ruling", "Somebody decides what is the case."),
    "missed": Lazy(f"{_HERE}.missed", "A contact was missed."),
    "granted": Lazy(f"{_HERE}.granted", "What a station granted, from its schedule."),
    "remark": Lazy(f"{_HERE}.remark", "A remark for whoever reads on."),
}


@click.group("record", cls=LazyGroup, table=KINDS)
def command() -> None:
    """Enter into the ledger what was learned, decided or seen.

    Each shows what the forecast was before and is after it. Nothing recorded is ever changed or
    removed; a later record may correct an earlier one.
    """
