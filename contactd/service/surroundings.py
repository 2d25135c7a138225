"""What the service finds around itself: the machine's, or a simulated one's."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry

from contactd.service.clock import Clock
from contactd.service.kernel_clock import Synchronisation
from contactd.service.metrics import Instruments
from contactd.service.notify import ServiceManager

if TYPE_CHECKING:
    from contactd.service.alert_configuration import ChannelMaker
    from contactd.service.election import Pair
    from contactd.service.scheduler import Scheduler


def _instruments() -> Instruments:
    return Instruments(CollectorRegistry())


def _no_manager() -> ServiceManager:
    return ServiceManager({})


def _not_asked() -> Synchronisation | None:
    return None


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Clocks, threads, channels, and who else is there.

    Attributes:
        instruments: what is counted.
        manager: the service manager, told of readiness and life.
        threads: where predictions are computed; threads of the service's own if None.
        channels: how channels are made; the real ones if None.
        synchronisation: what the kernel says of its clock.
        pair: who leads, of several services on one ledger; None for one that is alone.
        scheduler: does what is periodic; one over ``clock`` if None.
        beat_s: so often (s) the service beats.
    """

    clock: Clock
    instruments: Instruments = field(default_factory=_instruments)
    manager: ServiceManager = field(default_factory=_no_manager)
    threads: Executor | None = None
    channels: ChannelMaker | None = None
    synchronisation: Callable[[], Synchronisation | None] = _not_asked
    pair: Pair | None = None
    scheduler: Scheduler | None = None
    beat_s: float = 1.0
