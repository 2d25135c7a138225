"""Channels of ``contactd.yaml``: who is told besides the log, and how each is spoken to."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from contactd.config.sections import Choice, OneOrMany, Section, raise_at
from contactd.config.types import (
    AlertAddress,
    AlertKind,
    File,
    Host,
    Name,
    Text,
    TimeOfDay,
    TimeZone,
    Truth,
    duration,
    integer,
    words,
)

DAY_S = 86_400.0
Severity = Annotated[str, words(["advisory", "caution", "warning"])]
Timeout = Annotated[float, duration(0.1, 120.0)]
Port = Annotated[int, integer(1, 65_535, "a port number")]


class Hours(Section):
    """A time of each day; over midnight where it ends earlier than it begins."""

    begins_s: TimeOfDay = Field(alias="from")
    ends_s: TimeOfDay = Field(alias="to")
    zone: TimeZone = "UTC"


class ChannelSection(Section):
    """What every channel has."""

    name: Name
    least_severity: Severity = "advisory"
    kinds: OneOrMany[AlertKind] | None = None
    targets: OneOrMany[Name] | None = None
    timeout_s: Timeout = Field(default=10.0, alias="timeout")
    keep_trying_s: Annotated[float, duration(60.0, 7 * DAY_S)] = Field(
        default=6 * 3600.0, alias="keep_trying"
    )
    quiet_hours: OneOrMany[Hours] = ()
    together: Truth = False
    gather_s: Annotated[float, duration(0.0, 600.0)] = Field(default=0.0, alias="gather")
    send_resolved: Truth = True
    send_acknowledged: Truth = False
    send_reminders: Truth = True

    @model_validator(mode="after")
    def _name_is_free(self) -> ChannelSection:
        if self.name == "log":
            raise_at(("name",), "another name: log is the service's own log")
        return self

    @property
    def files(self) -> tuple[tuple[str, str], ...]:
        """The files that it names: key, and name relative to the settings' file."""
        keys = ("secret_file", "password_file", "urls_file", "ca_file")
        found = ((key, getattr(self, key, None)) for key in keys)
        return tuple((key, name) for key, name in found if name is not None)


class HttpChannelSection(ChannelSection):
    """A channel that posts to an address.

    ``public_only`` refuses addresses inside the machine or its network; ``ca_file`` has the
    certificates that are trusted, where they are not the usual ones.
    """

    url: AlertAddress
    public_only: Truth = False
    ca_file: File | None = None


class Webhook(HttpChannelSection):
    """An HTTP POST of JSON per message, signed if a secret is given."""

    kind: Literal["webhook"]
    secret_file: File | None = None


class Alertmanager(HttpChannelSection):
    """An Alertmanager, by its API; ``labels`` are added to every alert."""

    kind: Literal["alertmanager"]
    labels: dict[Name, Text] = Field(default_factory=dict, max_length=20)


class Mail(ChannelSection):
    """An e-mail per message."""

    kind: Literal["mail"]
    host: Host
    port: Port = 465
    security: Annotated[str, words(["tls", "starttls", "none"])] = "tls"
    user: Text | None = None
    password_file: File | None = None
    ca_file: File | None = None
    sender: Text
    recipients: OneOrMany[Text]

    @model_validator(mode="after")
    def _complete(self) -> Mail:
        if not self.recipients:
            raise_at(("recipients",), "at least one e-mail address")
        _password_needs_user(self.user, self.password_file)
        if self.user is not None and self.security == "none":
            raise_at(("security",), "tls or starttls: a password is not sent in the clear")
        return self


class Mqtt(ChannelSection):
    """A message of MQTT 5 per message, below the topic ``prefix``."""

    kind: Literal["mqtt"]
    host: Host
    port: Port = 8883
    tls: Truth = True
    user: Text | None = None
    password_file: File | None = None
    ca_file: File | None = None
    client_id: Name | None = None
    prefix: Text = "contactd/alerts"

    @model_validator(mode="after")
    def _complete(self) -> Mqtt:
        if set(self.prefix) & set("+#"):
            raise_at(("prefix",), "a topic without + and #, such as contactd/alerts")
        _password_needs_user(self.user, self.password_file)
        return self


class Executable(ChannelSection):
    """A program of your own per message: its path and its arguments; no shell reads them."""

    kind: Literal["executable"]
    command: OneOrMany[Text]

    @model_validator(mode="after")
    def _complete(self) -> Executable:
        if not self.command:
            raise_at(("command",), "a program's path, and its arguments")
        return self


class Apprised(ChannelSection):
    """The services that the apprise library knows: a URL of it on each line of a file."""

    kind: Literal["apprise"]
    urls_file: File


def _password_needs_user(user: str | None, password_file: str | None) -> None:
    if (user is None) != (password_file is None):
        raise_at(("user",), "user and password_file together, or neither")


CHANNELS: dict[str, type[ChannelSection]] = {
    "webhook": Webhook,
    "alertmanager": Alertmanager,
    "mail": Mail,
    "mqtt": Mqtt,
    "executable": Executable,
    "apprise": Apprised,
}
"""Section of each kind of channel: a new kind is one more line here."""

Channel = Annotated[Any, Choice("kind", CHANNELS)]
