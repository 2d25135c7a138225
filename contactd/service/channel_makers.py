"""How each kind of channel is made from its section of the settings."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Any

from contactd.alerts.address_filter import Guard
from contactd.alerts.notification import Channel, Notification
from contactd.core.errors import DeliveryError


class UnmadeChannel:
    """Stands for a channel that cannot be made; what goes to it is not lost, and told of."""

    def __init__(self, name: str, reason: str) -> None:
        self.name = name
        self._reason = reason

    async def send(self, message: Notification) -> None:
        """Fail, so that it is tried again when the configuration has been mended."""
        raise DeliveryError(self.name, self._reason, worth_retrying=True)

    async def close(self) -> None:
        """Nothing is held open."""


def _secret(folder: Path, name: str | None) -> bytes | None:
    return None if name is None else (folder / name).read_bytes().strip()


def _text(folder: Path, name: str | None) -> str | None:
    secret = _secret(folder, name)
    return None if secret is None else secret.decode("utf-8")


def trusting(folder: Path, ca_file: str | None) -> ssl.SSLContext | None:
    """How certificates are checked: None for the usual way.

    Raises:
        OSError: if the file of authorities cannot be read or holds none.
    """
    return None if ca_file is None else ssl.create_default_context(cafile=str(folder / ca_file))


def guard_of(section: Any) -> Guard | None:
    """Which addresses a section's URL may lead to."""
    return Guard(public_only=True) if section.public_only else None


def _webhook(section: Any, folder: Path) -> Channel:
    from contactd.alerts.channels.webhook import WebhookChannel

    return WebhookChannel(
        section.name,
        section.url,
        _secret(folder, section.secret_file),
        section.timeout_s,
        guard_of(section),
        trusting(folder, section.ca_file),
    )


def _alertmanager(section: Any, folder: Path) -> Channel:
    from contactd.alerts.channels.alertmanager import AlertmanagerChannel

    return AlertmanagerChannel(
        section.name,
        section.url,
        dict(section.labels),
        section.timeout_s,
        guard_of(section),
        trusting(folder, section.ca_file),
    )


def _mail(section: Any, folder: Path) -> Channel:
    from contactd.alerts.channels.mail import MailChannel, MailServer

    server = MailServer(
        section.host,
        section.port,
        section.security,
        section.user,
        _text(folder, section.password_file),
        trusting(folder, section.ca_file),
    )
    return MailChannel(
        section.name, server, section.sender, tuple(section.recipients), section.timeout_s
    )


def _mqtt(section: Any, folder: Path) -> Channel:
    from contactd.alerts.channels.mqtt import Broker, MqttChannel

    context = None
    if section.tls:
        context = trusting(folder, section.ca_file) or ssl.create_default_context()
    broker = Broker(
        section.host,
        section.port,
        section.user,
        _text(folder, section.password_file),
        context,
        section.client_id,
    )
    return MqttChannel(section.name, broker, section.prefix, section.timeout_s)


def _executable(section: Any, folder: Path) -> Channel:
    from contactd.alerts.channels.executable import ExecutableChannel

    return ExecutableChannel(section.name, section.command, section.timeout_s)


def _apprise(section: Any, folder: Path) -> Channel:
    from contactd.alerts.channels.others import ApprisedChannel

    urls = (_text(folder, section.urls_file) or "").splitlines()
    wanted = [line.strip() for line in urls if line.strip() and not line.startswith("#")]
    return ApprisedChannel(section.name, wanted)


MAKERS: dict[str, Callable[[Any, Path], Channel]] = {
    "webhook": _webhook,
    "alertmanager": _alertmanager,
    "mail": _mail,
    "mqtt": _mqtt,
    "executable": _executable,
    "apprise": _apprise,
}
