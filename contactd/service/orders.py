"""What the watch asks of the parts around it, and orders from them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from contactd.alerts.notification import Notification
from contactd.alerts.status import ChannelStatus
from contactd.config import Configuration
from contactd.core.planning import Target
from contactd.core.record import Record
from contactd.service.allocation_job import SharingJob
from contactd.service.beat import Span
from contactd.service.state import ServiceState


class Leads(Protocol):
    """What the watch asks about the lead."""

    @property
    def leads(self) -> bool:
        """Whether this service records, raises and sends."""
        ...

    @property
    def may_send(self) -> bool:
        """Whether it leads for sure at this moment."""
        ...


class WatchEffects(Protocol):
    """What the watch orders. Nothing here waits; what comes of it is posted as an event."""

    def append(self, records: Sequence[Record]) -> None:
        """Hold records, and have them written."""
        ...

    def predict(self, target: Target, span: Span, now: float, state: ServiceState) -> None:
        """Predict a target over a span."""
        ...

    def share(self, job: SharingJob) -> None:
        """Share station time."""
        ...

    def offer(self, notifications: Sequence[Notification]) -> None:
        """Send these, and nothing else."""
        ...

    def wake_in(self, seconds: float) -> None:
        """Beat after so many seconds."""
        ...

    def beat_soon(self) -> None:
        """Beat as soon as the loop comes to it."""
        ...

    def follow(self, configuration: Configuration) -> None:
        """Predict, send and give signs of life as a configuration says from now on."""
        ...

    def channels(self) -> tuple[ChannelStatus, ...]:
        """How the channels are doing."""
        ...
