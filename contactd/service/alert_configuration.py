"""What is told, when, where and through which channels, as the configuration says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Protocol

import structlog

from contactd.alerts.acknowledgement_tokens import Tickets
from contactd.alerts.channels.log import LogChannel
from contactd.alerts.delivery import Terms
from contactd.alerts.escalation_policy import Care, Duty, Hours, Manner, Rung
from contactd.alerts.evaluate import Reach
from contactd.alerts.notification import Channel
from contactd.alerts.policy import Leads, Policy
from contactd.config import AlertLeads, Configuration
from contactd.core.alert import Severity
from contactd.core.errors import ContactdError
from contactd.service.channel_makers import MAKERS, UnmadeChannel

LOG_CHANNEL = "log"
log = structlog.get_logger("contactd")


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
    settings = configuration.settings
    reaches = [
        Reach(
            each.name,
            Severity(each.least_severity),
            None if each.kinds is None else frozenset(each.kinds),
            None if each.targets is None else frozenset(each.targets),
        )
        for each in settings.channels
    ]
    manners = {each.name: _manner(each) for each in settings.channels}
    care = _care(settings.acknowledgement)
    return Telling(policy, (Reach(LOG_CHANNEL), *reaches), manners, care)


def tickets_of(configuration: Configuration) -> Tickets | None:
    """What signs the links in messages, where links are wanted and their secret can be had."""
    section = configuration.settings.acknowledgement.links
    if section is None:
        return None
    try:
        secret = (configuration.directory / section.secret_file).read_bytes().strip()
        return Tickets(secret, section.base_url)
    except (ContactdError, OSError) as error:
        log.error("no links can be sent", reason=str(error))
        return None


def _hours(sections: Iterable[Any]) -> tuple[Hours, ...]:
    return tuple(Hours(each.begins_s, each.ends_s, each.zone) for each in sections)


def _manner(section: Any) -> Manner:
    return Manner(
        quiet_hours=_hours(section.quiet_hours),
        together=section.together,
        gather_s=section.gather_s,
        send_resolved=section.send_resolved,
        send_acknowledged=section.send_acknowledged,
        send_reminders=section.send_reminders,
    )


def _care(section: Any) -> Care:
    remind = section.remind
    every = {
        Severity.WARNING: remind.warning_s,
        Severity.CAUTION: remind.caution_s,
        Severity.ADVISORY: remind.advisory_s,
    }
    return Care(
        ladder=tuple(
            Rung(each.after_s, each.to, Severity(each.least_severity)) for each in section.escalate
        ),
        roles={
            role.name: tuple(Duty(tuple(each.channels), _hours(each.hours)) for each in role.duty)
            for role in section.roles
        },
        remind_every_s={severity: s for severity, s in every.items() if s is not None},
        most_reminders=remind.most,
    )


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
        """The configuration's channels, and how patiently each is tried."""
        made: dict[str, tuple[object, Channel]] = {}
        used: list[tuple[Channel, Terms]] = [(self._log, Terms())]
        for section in configuration.settings.channels:
            folder = configuration.directory
            states = [configuration.files.get(folder / name) for _, name in section.files]
            identity = (section, states)
            before = self._made.get(section.name)
            if before is not None and before[0] == identity:
                made[section.name] = before
            else:
                made[section.name] = (identity, _make(section, folder))
            terms = Terms(attempt_s=section.timeout_s, keep_trying_s=section.keep_trying_s)
            used.append((made[section.name][1], terms))
        self._made = made
        return used


def _make(section: Any, folder: Path) -> Channel:
    """The channel, or one that says why it cannot be made."""
    try:
        return MAKERS[section.kind](section, folder)
    except (ContactdError, OSError, ValueError) as error:
        log.error("a channel cannot be used", channel=section.name, reason=str(error))
        return UnmadeChannel(section.name, str(error))
