"""What is told, when, where and through which channels, as the configuration says."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Protocol

from contactd.alerts.care import Care, Manner
from contactd.alerts.channels.log import LogChannel
from contactd.alerts.channels.webhook import WebhookChannel
from contactd.alerts.delivery import Terms
from contactd.alerts.life import Reach
from contactd.alerts.message import Channel
from contactd.alerts.policy import Leads, Policy
from contactd.config import AlertLeads, Configuration
from contactd.core.alert import Severity

LOG_CHANNEL = "log"


@dataclass(frozen=True, slots=True)
class Telling:
    """What is told and when, which channel is told what and how, and what nobody acknowledges."""

    policy: Policy
    reaches: tuple[Reach, ...] = ()
    manners: Mapping[str, Manner] = field(default_factory=dict)
    care: Care = field(default_factory=Care)


def telling_of(configuration: Configuration) -> Telling:
    """The configuration's rules of telling; the log hears of everything."""

    def leads(given: AlertLeads) -> Leads:
        names = {each.name for each in fields(Leads)} & set(AlertLeads.model_fields)
        return Leads(**{name: getattr(given, name) for name in names})

    policy = Policy(
        leads=leads(configuration.settings.alerts),
        targets={name: leads(each) for name, each in configuration.leads.items()},
    )
    channels = configuration.settings.channels
    reaches = [Reach(each.name, Severity(each.least_severity)) for each in channels]
    return Telling(policy, (Reach(LOG_CHANNEL), *reaches))


def _webhook(section: Any, folder: Path) -> Channel:
    secret = None
    if section.secret_file is not None:
        secret = (folder / section.secret_file).read_bytes().strip()
    return WebhookChannel(section.name, section.url, secret, section.timeout_s)


MAKERS: dict[str, Callable[[Any, Path], Channel]] = {"webhook": _webhook}
"""How each kind of channel is made from its section of the settings."""


class ChannelMaker(Protocol):
    """Makes the channels of a configuration."""

    def of(self, configuration: Configuration) -> list[tuple[Channel, Terms]]:
        """The channels in use, and how patiently each is tried."""
        ...


class Channels:
    """The channels in use; one whose section is unchanged stays the same object."""

    def __init__(self) -> None:
        self._log = LogChannel(LOG_CHANNEL)
        self._made: dict[str, tuple[object, Channel]] = {}

    def of(self, configuration: Configuration) -> list[tuple[Channel, Terms]]:
        """The configuration's channels, and how patiently each is tried.

        Raises:
            OSError: if a secret cannot be read.
        """
        made: dict[str, tuple[object, Channel]] = {}
        used: list[tuple[Channel, Terms]] = [(self._log, Terms())]
        for section in configuration.settings.channels:
            folder = configuration.directory
            secret = getattr(section, "secret_file", None)
            state = configuration.files.get(folder / secret) if secret else None
            identity = (section, state)
            before = self._made.get(section.name)
            if before is not None and before[0] == identity:
                made[section.name] = before
            else:
                made[section.name] = (identity, MAKERS[section.kind](section, folder))
            used.append((made[section.name][1], Terms(attempt_s=section.timeout_s)))
        self._made = made
        return used
