"""``contactd.yaml``: the service's settings. Each has a default; the file may be absent."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from contactd.config.channel_sections import CHANNELS as CHANNELS
from contactd.config.channel_sections import Channel as Channel
from contactd.config.channel_sections import Severity as Severity
from contactd.config.escalation_sections import Acknowledgement, Heartbeat
from contactd.config.sections import Many, OneOrMany, Section, raise_at
from contactd.config.station_time import StationTime
from contactd.config.types import (
    File,
    Host,
    Kind,
    Name,
    NetworkText,
    PositiveDuration,
    Size,
    Text,
    Truth,
    address,
    duration,
    integer,
    number,
    words,
)

DAY_S = 86_400.0

Lead = Annotated[float, duration(greatest_s=30 * DAY_S, what="a lead")]
Leads = OneOrMany[Lead]
ROUTINE = (
    "contact-coming",
    "step-expiring",
    "step-expired",
    "keep-clear-ends",
)
"""Kinds of alert that may be left untold: what goes as planned. The rest is always told."""
RoutineKind = Annotated[str, words(ROUTINE, "a kind of routine alert")]
Beat = Annotated[float, duration(1.0, 3600.0)]


_SCHEDULER = address("tcp", "tls", example="tcp://scheduler.example:8786")


def _place(value: object) -> str:
    return value if value in ("here", "processes") else _SCHEDULER.read(value)


PLACE = Kind("here, processes, or a Dask scheduler such as tcp://scheduler.example:8786", _place)


class Horizon(Section):
    """How far contacts and forecasts are kept up to date."""

    ahead_s: Annotated[float, duration(3600.0, 400 * DAY_S)] = Field(
        default=7 * DAY_S, alias="ahead"
    )
    back_s: Annotated[float, duration(0.0, 30 * DAY_S)] = Field(default=DAY_S, alias="back")


class Planning(Section):
    """How often the plan is rolled forward when nothing else asks for it, and who predicts.

    ``where`` is ``here`` (in the service's own process), ``processes`` (in ``workers`` processes of
    the machine), or the address of a Dask scheduler, which is handed ``workers`` targets at once.
    ``polar_motion`` turns stations with the pole (up to 15 m, 2 ms in low orbits), by the tables of
    the extra ``iers``.
    """

    every_s: Beat = Field(default=60.0, alias="every")
    where: Annotated[str, PLACE] = "here"
    workers: Annotated[int, integer(1, 10_000)] | None = None
    polar_motion: Truth = False


class Store(Section):
    """Where the ledger is kept.

    ``password_file`` is a password file of PostgreSQL's client library, readable by the service
    alone: a line ``host:port:database:user:password`` for each server.
    """

    url: Annotated[
        str | None,
        address(
            "sqlite",
            "postgresql",
            "postgresql+psycopg",
            example="sqlite:////var/lib/contactd/ledger.sqlite or postgresql://host/contactd",
            needs_host=False,
        ),
    ] = None
    password_file: File | None = None

    @model_validator(mode="after")
    def _password_has_a_server(self) -> Store:
        if self.password_file is not None and not (self.url or "").startswith("postgresql"):
            raise_at(("password_file",), "no password_file: it belongs to a PostgreSQL url")
        return self


class LedgerCopies(Section):
    """Where copies of an SQLite ledger are made, how often, and how many are kept."""

    to: Text
    every_s: Annotated[float, duration(60.0, 366 * DAY_S)] = Field(default=DAY_S, alias="every")
    keep: Annotated[int, integer(1, 1000)] = 14


class LedgerCare(Section):
    """What is done for the ledger itself: copies, and archives of what is older than so long."""

    backup: LedgerCopies | None = None
    archive_after_s: Annotated[float, duration(8 * DAY_S, 36_600 * DAY_S)] | None = Field(
        default=None, alias="archive_after"
    )


class Pair(Section):
    """How this service gets on with another one on the same PostgreSQL.

    ``name`` is what each is called in logs and on pages; the machine's name by default. ``lease``
    is how long the lead lasts without being renewed: one that hangs is followed so late.
    """

    name: Name | None = None
    lease_s: Annotated[float, duration(2.0, 60.0)] = Field(default=3.0, alias="lease")


class Metrics(Section):
    """Who may scrape the metrics: as for reading, unless ``needs_token`` says otherwise of the
    machine itself. ``networks`` are those whose machines need no token for it.
    """

    needs_token: Truth | None = None
    networks: OneOrMany[NetworkText] = ()


class Http(Section):
    """Where the service answers to HTTP, and to whom. Loopback unless you say otherwise.

    ``tokens_file`` has a token a line: a name, viewer or operator, and the secret's hash. Without
    it nothing can be changed over HTTP. ``hosts`` are the names under which others ask for the
    service, beside its addresses and ``localhost``.
    """

    host: Host = "127.0.0.1"
    port: Annotated[int, integer(1, 65_535, "a port number")] = 8010
    tokens_file: File | None = None
    reading_needs_token: Truth = False
    hosts: OneOrMany[Host] = ()
    metrics: Metrics = Metrics()


class Log(Section):
    """How the log is written."""

    format: Annotated[str, words(["human", "json"])] = "human"
    level: Annotated[str, words(["debug", "info", "warning", "error"])] = "info"


class AlertLeads(Section):
    """How long before a matter it is told. A target's own keys go before the service's."""

    contacts: Annotated[str, words(["needed", "all"])] = "needed"
    contact_s: Leads = Field(default=(600.0,), alias="contact_lead")
    window_s: Leads = Field(default=(0.0,), alias="window_lead")
    closes_s: Lead = Field(default=60.0, alias="closes_lead")
    step_s: Leads = Field(default=(3600.0, 600.0, 60.0), alias="step_lead")
    stop_by_s: Leads = Field(default=(3600.0, 600.0, 120.0), alias="stop_by_lead")
    keep_clear_s: Leads = Field(default=(900.0,), alias="keep_clear_lead")
    contact_least_elevation_deg: Annotated[float, number(0, 90, what="degrees")] = 0.0
    aos_moved_s: Annotated[float, duration(1.0, DAY_S)] = Field(default=30.0, alias="aos_moved")
    disabled_kinds: OneOrMany[RoutineKind] = ()

    def over(self, general: AlertLeads) -> AlertLeads:
        """These where they were given, the general ones elsewhere."""
        given = {name: getattr(self, name) for name in self.model_fields_set}
        return general.model_copy(update=given)


class Elements(Section):
    """How elements are watched and fetched, where a target does not say otherwise.

    ``public_only`` refuses addresses inside the machine or its network. ``adopt_corrections``
    adopts what observations teach of a motion with every one that is recorded.
    """

    stale_after_s: PositiveDuration = Field(default=7 * DAY_S, alias="stale_after")
    least_interval_s: Annotated[float, duration(60.0, 30 * DAY_S)] = Field(
        default=7200.0, alias="least_interval"
    )
    timeout_s: Annotated[float, duration(0.1, 600.0)] = Field(default=20.0, alias="timeout")
    size_limit_bytes: Size = Field(default=5_000_000, alias="size_limit")
    public_only: Truth = False
    adopt_corrections: Truth = False


class ClockRules(Section):
    """When the machine's clock is trusted."""

    tolerance_s: Annotated[float, duration(1e-3, 60.0)] = Field(default=0.5, alias="tolerance")
    settle_s: Annotated[float, duration(0.0, DAY_S)] = Field(default=600.0, alias="settle")
    synchronisation: Annotated[str, words(["watched", "required"])] = "watched"


class Settings(Section):
    """The whole of ``contactd.yaml``."""

    horizon: Horizon = Horizon()
    planning: Planning = Planning()
    store: Store = Store()
    ledger: LedgerCare = LedgerCare()
    pair: Pair | None = None
    http: Http = Http()
    log: Log = Log()
    alerts: AlertLeads = AlertLeads()
    channels: Many[Channel] = ()
    acknowledgement: Acknowledgement = Acknowledgement()
    heartbeat: Heartbeat | None = None
    runbook: Text = "deploy/runbook.md"
    elements: Elements = Elements()
    clock: ClockRules = ClockRules()
    station_time: StationTime | None = None

    @model_validator(mode="after")
    def _a_pair_shares_a_server(self) -> Settings:
        if self.pair is not None and not (self.store.url or "").startswith("postgresql"):
            raise_at(("pair",), "no pair: it needs a PostgreSQL url under store", "a pair")
        return self

    @model_validator(mode="after")
    def _channel_names_differ(self) -> Settings:
        seen: set[str] = set()
        for index, channel in enumerate(self.channels):
            if channel.name in seen:
                raise_at(("channels", index, "name"), "a name that no other channel has")
            seen.add(channel.name)
        return self

    @model_validator(mode="after")
    def _duties_name_channels(self) -> Settings:
        known = ["log", *(channel.name for channel in self.channels)]
        for place, role in enumerate(self.acknowledgement.roles):
            for turn, duty in enumerate(role.duty):
                for channel in duty.channels:
                    if channel not in known:
                        where = ("acknowledgement", "roles", place, "duty", turn, "channels")
                        expected = f"names of channels ({', '.join(known)})"
                        raise_at(where, expected, repr(channel))
        return self
