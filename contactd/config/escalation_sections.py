"""What is done about alerts that nobody acknowledges, and the sign of life."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from contactd.config.channel_sections import Hours, Severity
from contactd.config.sections import Many, OneOrMany, Section, raise_at
from contactd.config.types import (
    AlertAddress,
    File,
    Name,
    Truth,
    duration,
    integer,
)

DAY_S = 86_400.0
After = Annotated[float, duration(1.0, 7 * DAY_S)]


class Duty(Section):
    """Channels that reach whoever has a role; at all times, or at some hours of the day."""

    channels: OneOrMany[Name]
    hours: OneOrMany[Hours] = ()


class Role(Section):
    """A role, and how whoever has it is reached."""

    name: Name
    duty: OneOrMany[Duty]


class Rung(Section):
    """Who is told, so long after an alert was raised and nobody has acknowledged it."""

    after_s: After = Field(alias="after")
    to: Name
    least_severity: Severity = "warning"


class Reminders(Section):
    """How often an open alert is told again; without a time, never."""

    warning_s: After | None = Field(default=None, alias="warning")
    caution_s: After | None = Field(default=None, alias="caution")
    advisory_s: After | None = Field(default=None, alias="advisory")
    most: Annotated[int, integer(1, 1_000)] = 20


class Links(Section):
    """Signed links in messages by which a reader can acknowledge.

    ``base_url`` is the service's address as readers reach it; ``secret_file`` holds at least 16
    bytes that nobody can guess.
    """

    base_url: AlertAddress
    secret_file: File


class Acknowledgement(Section):
    """What is done until somebody has an alert in hand."""

    roles: Many[Role] = ()
    escalate: Many[Rung] = ()
    remind: Reminders = Reminders()
    links: Links | None = None

    @model_validator(mode="after")
    def _rungs_lead_somewhere(self) -> Acknowledgement:
        names = [role.name for role in self.roles]
        for index, role in enumerate(self.roles):
            if role.name in names[:index]:
                raise_at(("roles", index, "name"), "a name that no other role has")
        for index, rung in enumerate(self.escalate):
            if rung.to not in names:
                known = ", ".join(names) or "none is listed under roles"
                raise_at(("escalate", index, "to"), f"the name of a role ({known})")
            if index and rung.after_s <= self.escalate[index - 1].after_s:
                raise_at(("escalate", index, "after"), "longer than the rung before it")
        return self


class Heartbeat(Section):
    """A sign of life to an outside watcher, who raises the alarm when it stays away."""

    url: AlertAddress
    every_s: Annotated[float, duration(5.0, 3600.0)] = Field(default=60.0, alias="every")
    timeout_s: Annotated[float, duration(0.1, 60.0)] = Field(default=10.0, alias="timeout")
    public_only: Truth = False
    ca_file: File | None = None
