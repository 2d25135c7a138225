"""The stage: what stands in for files, ledger and channels while a rehearsal runs.

The settings of a rehearsal are made new; only what cannot reach outside is copied from the real
ones (horizon, planning, leads, elements' age, clock rules, log). So the real ledger, channels,
feeds and tokens cannot be touched whatever is added to the settings later.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from contactd.alerts.channels.log import LogChannel
from contactd.alerts.delivery import Terms
from contactd.alerts.notification import Channel, Notification
from contactd.config import Configuration
from contactd.config.loader import kept_folder
from contactd.config.rehearsal import Script
from contactd.config.settings import Settings
from contactd.core import record as kinds
from contactd.core.errors import DeliveryError
from contactd.core.record import Record
from contactd.mission.texts.rehearsed import marked
from contactd.service.alert_configuration import LOG_CHANNEL, Channels
from contactd.service.clock import Clock
from contactd.service.files import Loaded
from contactd.service.store import LedgerLike

MARK = "REHEARSAL"
TOLD = frozenset({kinds.ALERT_RAISED, kinds.ALERT_CHANGED, kinds.ALERT_RESOLVED})
"""Records of what people are told; it is marked."""
HARMLESS = ("horizon", "planning", "alerts", "elements", "clock", "log")
"""Sections of the settings that only say how the service thinks, not whom it reaches."""
SLOW_S = 20.0


def staged(configuration: Configuration, script: Script, url: str) -> Configuration:
    """The configuration as it is rehearsed: nothing in it reaches outside.

    Args:
        url: of the rehearsal's own ledger.
    """
    real = configuration.settings
    given = {name: getattr(real, name) for name in HARMLESS}
    settings = Settings().model_copy(update={**given, "channels": script.channels})
    return replace(configuration, settings=settings, store_url=url, feeds={})


class StagedFiles:
    """The configuration's files: what events make of them."""

    def __init__(self, configuration: Configuration) -> None:
        self._configuration = configuration
        self.kept = kept_folder(configuration.directory, None)
        self._changes = 0
        self._is_new = False

    def changed(self, _around: float) -> Loaded | None:
        """The configuration, once after each change."""
        if not self._is_new:
            return None
        self._is_new = False
        return Loaded(self._configuration)

    def load(self, _around: float) -> Loaded:
        """The configuration as it is now."""
        self._is_new = False
        return Loaded(self._configuration)

    def take_out(self, station: str, start: float, end: float) -> None:
        """Let a station be out between two instants (s)."""
        from contactd.core.intervals import IntervalSet

        known = self._configuration.stations[station]
        out = replace(known, outages=known.outages | IntervalSet([start], [end]))
        self._put(stations={**self._configuration.stations, station: out})

    def renew_elements(self, target: str, late_s: float, now: float) -> None:
        """Give a target new elements, on which it runs ``late_s`` later than before."""
        known = self._configuration.targets[target]
        before = known.elements_for(now)
        if before is None:
            return
        # The same angles so much later: wherever it was, it is there so much later.
        number = before.element_set_number + 1
        new = replace(before, epoch=before.epoch + late_s, element_set_number=number)
        targets = {**self._configuration.targets, target: replace(known, elements=(new,))}
        self._put(targets=targets)

    def _put(self, **changes: object) -> None:
        self._changes += 1
        digest = f"{self._configuration.digest[:48]}{self._changes:016d}"
        self._configuration = replace(self._configuration, digest=digest, **changes)  # type: ignore[arg-type]
        self._is_new = True


class MarkedLedger:
    """The rehearsal's own ledger: every record says that it belongs to a rehearsal.

    Attributes:
        made_s: by number, how many seconds after the beginning a record was made, whatever the
            rehearsed wall clock said.
    """

    def __init__(self, ledger: LedgerLike, title: str, elapsed_s: Callable[[], float]) -> None:
        self._ledger = ledger
        self._title = title
        self._elapsed_s = elapsed_s
        self.made_s: dict[int, float] = {}

    def append(self, records: Sequence[Record]) -> list[Record]:
        """Store records, marked."""
        stored = self._ledger.append([self._marked(record) for record in records])
        for record in stored:
            self.made_s.setdefault(record.number, self._elapsed_s())
        return stored

    def since(self, number: int, limit: int) -> list[Record]:
        """The records after a number."""
        return self._ledger.since(number, limit)

    def close(self) -> None:
        """Let go of it."""
        self._ledger.close()

    def _marked(self, record: Record) -> Record:
        body = {**record.body, "rehearsal": self._title}
        if record.kind in TOLD and "what" in body:
            body["what"] = marked(str(body["what"]))
        return replace(record, body=body)


@dataclass
class StagedChannel:
    """A rehearsal channel whose mood events change: ``well``, ``slow`` or ``down``."""

    channel: Channel
    clock: Clock
    mood: str = "well"

    @property
    def name(self) -> str:
        """The channel's name."""
        return self.channel.name

    async def send(self, message: Notification) -> None:
        """Send, as its mood allows."""
        if self.mood == "down":
            raise DeliveryError(self.name, "the rehearsal has it down", worth_retrying=True)
        if self.mood == "slow":
            await self.clock.sleep(SLOW_S)
        await self.channel.send(message)

    async def close(self) -> None:
        """Let go of what it holds open."""
        await self.channel.close()


class StagedChannels:
    """The script's channels; headless, those that need sockets are only written to the log."""

    def __init__(self, clock: Clock, headless: bool) -> None:
        self._clock = clock
        self._headless = headless
        self._real = Channels()
        self._staged: dict[str, StagedChannel] = {}

    def of(self, configuration: Configuration) -> list[tuple[Channel, Terms]]:
        """The channels in use, and how patiently each is tried."""
        if self._headless:
            names = [LOG_CHANNEL, *(each.name for each in configuration.settings.channels)]
            made: list[tuple[Channel, Terms]] = [(LogChannel(name), Terms()) for name in names]
        else:
            made = self._real.of(configuration)
        return [(self._stage(channel), terms) for channel, terms in made]

    def set_mood(self, name: str, mood: str) -> None:
        """Change a channel's mood."""
        self._staged[name].mood = mood

    def _stage(self, channel: Channel) -> StagedChannel:
        known = self._staged.get(channel.name)
        if known is None or (known.channel is not channel and not self._headless):
            known = StagedChannel(channel, self._clock, known.mood if known else "well")
        self._staged[channel.name] = known
        return known


def ledger_url(folder: Path) -> str:
    """URL of a rehearsal's own ledger."""
    return f"sqlite:///{(folder / 'rehearsal.sqlite').absolute()}"
