"""The documents that the interface gives, described for OpenAPI and checked by the tests.

Bodies are written by :mod:`contactd.faces.http.forms` and kept as bytes, so these models do not run
at each request; the tests validate every answer against them.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

UTC = "RFC 3339 UTC with milliseconds and Z."


class Document(BaseModel):
    """A document with known members."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)


class Span(Document):
    """From one moment until another."""

    start: str | None = Field(
        alias="from", description=UTC + " Null: since ever.", examples=["2026-12-03T08:00:00.000Z"]
    )
    end: str | None = Field(
        alias="to", description=UTC + " Null: for ever.", examples=["2026-12-03T08:09:14.000Z"]
    )


class Contact(Document):
    """An interval in which a target stands above a station's mask."""

    target: str = Field(examples=["Lantern 3"])
    station: str = Field(examples=["Brenn Head"])
    aos: str = Field(description=UTC, examples=["2026-12-03T08:00:12.250Z"])
    tca: str = Field(description=UTC, examples=["2026-12-03T08:04:40.000Z"])
    los: str = Field(description=UTC, examples=["2026-12-03T08:09:14.125Z"])
    aos_azimuth_deg: float = Field(examples=[221.5])
    tca_azimuth_deg: float = Field(examples=[143.25])
    los_azimuth_deg: float = Field(examples=[64.125])
    max_elevation_deg: float = Field(examples=[43.0625])
    tca_range_km: float = Field(examples=[684.5])
    duration_s: float = Field(examples=[541.875])
    cut_at_start: bool = Field(examples=[False])
    cut_at_end: bool = Field(examples=[False])


Covered = Literal["covered", "at risk", "uncovered"]


class Step(Document):
    """When a step's countdown runs out, and what that means."""

    target: str = Field(examples=["Lantern 3"])
    sequence: str = Field(examples=["wake-up"])
    step: str = Field(examples=["receiver on"])
    status: str = Field(examples=["running"])
    earliest: str | None = Field(description=UTC, examples=["2026-12-03T14:02:10.000Z"])
    nominal: str | None = Field(description=UTC, examples=["2026-12-03T14:04:00.000Z"])
    latest: str | None = Field(description=UTC, examples=["2026-12-03T14:06:40.000Z"])
    coverage: Covered | None = Field(examples=["at risk"])
    in_view_probability: float | None = Field(ge=0, le=1, examples=[0.82])
    stations: list[str] = Field(examples=[["Brenn Head"]])
    margin_s: float | None = Field(examples=[-42.0])
    stop_by: str | None = Field(description=UTC, examples=["2026-12-03T12:41:07.000Z"])
    stop_station: str | None = Field(examples=["Kestrel Point"])
    keep_clear: Span | None


class Fact(Document):
    """One fact from which a bound or a verdict follows."""

    about: str = Field(examples=["earliest"])
    text: str = Field(examples=["the start is known to ±30 s"])
    source: str = Field(examples=["record 12"])


class StepDetail(Step):
    """A step's forecast with what it rests on."""

    hazard: str | None = Field(examples=["deployment"])
    stop_possible: bool | None
    reasons: list[str]
    confirm_at: str | None = Field(description=UTC)
    confirm_station: str | None
    people_in_danger: list[Span]
    later_acts: list[Span]
    facts: list[Fact]


class Start(Document):
    """What is known of a sequence's start."""

    status: str = Field(examples=["observed"])
    earliest: str | None = Field(description=UTC)
    nominal: str | None = Field(description=UTC)
    latest: str | None = Field(description=UTC)
    stopped_at: str | None = Field(description=UTC)
    record: int = Field(description="Where it comes from; 0 for the configuration.", examples=[12])


class SequenceForecast(Document):
    """A sequence's forecast with what it rests on."""

    target: str
    sequence: str
    start: Start
    longest_silence: Span | None
    conflicts: list[str]
    notice: str
    people_near: list[Span]
    steps: list[StepDetail]


class Window(Document):
    """A window of a service at a station, and the contact that it is part of."""

    target: str
    station: str
    service: str = Field(examples=["command"])
    start: str = Field(alias="from", description=UTC)
    end: str = Field(alias="to", description=UTC)
    certain: Span | None = Field(description="The part that holds whatever the timing error.")
    aos: str | None = Field(description=UTC)
    los: str | None = Field(description=UTC)
    max_elevation_deg: float | None


class Elements(Document):
    """The element set that predictions rest on."""

    epoch: str = Field(description=UTC)
    source: str = Field(examples=["lantern-3.xml"])
    stale_after_s: float
    stale: bool
    timing_error_s: float


class StationSpan(Span):
    """A span of time at a station."""

    station: str


class Target(Document):
    """All that the first screen says of a target."""

    name: str
    problem: str | None
    span: Span
    elements: Elements | None
    contacts: int
    next_contact: Contact | None
    windows: list[Window]
    gaps: list[Span] = Field(description="When nothing is known of the target's motion.")
    maybe_in_view: list[StationSpan] = Field(
        description="When it may be in view, where a planned manoeuvre leaves that open."
    )
    sequences: list[SequenceForecast]


class Alert(Document):
    """An alert that waits for somebody."""

    identity: str
    kind: str = Field(examples=["step-uncovered"])
    severity: Literal["advisory", "caution", "warning"]
    target: str
    subject: str
    what: str
    advice: str
    due: str | None = Field(description=UTC)
    concerns: str | None = Field(description=UTC)
    over_at: str | None = Field(description=UTC)
    late: bool
    facts: dict[str, Any]


class ClockState(Document):
    """Whether the service's clock can be believed."""

    trusted: bool
    why: str
    offset_s: float | None


class ConfigurationState(Document):
    """What configuration is in force, and what is wrong with the files on disk."""

    digest: str
    adopted_at: str | None
    problems: list[str]


class Now(Document):
    """What matters now."""

    known_at: str | None = Field(description="The state as known at this moment; null for now.")
    planned_at: str | None
    ledger_at: int
    ledger_trouble: str
    notice: str
    clock: ClockState
    configuration: ConfigurationState
    alerts: list[Alert]
    targets: list[Target]


class ServiceTerms(Document):
    """What one service of a station asks of a contact."""

    least_elevation_deg: float
    acquisition_s: float
    guard_s: float


class Station(Document):
    """A ground antenna as configured."""

    name: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    least_elevation_deg: float
    mask: list[tuple[float, float]]
    services: dict[str, ServiceTerms]
    outages: list[Span]


class Record(Document):
    """One entry of the ledger."""

    number: int = Field(examples=[12])
    at: str = Field(description=UTC)
    kind: str = Field(examples=["start-observed"])
    subject: str = Field(examples=["Lantern 3/wake-up"])
    author: str = Field(examples=["m. aldous"])
    body: dict[str, Any]


class Change(Document):
    """What a record would change, or did, in words and figures."""

    sentences: list[str] = Field(
        examples=[["receiver on: from 14:02:10Z–14:06:40Z to 14:03:55Z–14:04:05Z"]]
    )
    cautions: list[str]
    before: list[Step]
    after: list[Step]


class Preview(Change):
    """A record that is not written yet, and what it would change."""

    ledger_at: int
    record: Record


class Written(Change):
    """A record that was written, and what it changed."""

    record: Record


class Session(Document):
    """Who is signed in."""

    name: str = Field(examples=["m. aldous"])
    role: Literal["viewer", "operator"] | None
    csrf: str = Field(description="Repeat it in X-Contactd-Csrf when the cookie is used.")
    can_change: bool
    operators_exist: bool


class ProblemDocument(BaseModel):
    """An error (RFC 9457)."""

    model_config = ConfigDict(extra="allow")

    type: str = Field(examples=["/api/v1/problems/not-found"])
    title: str
    status: int
    detail: str
    code: str
    instance: str | None = None


class PlannedStep(Document):
    """A step of a plan."""

    step: str
    earliest: str | None = Field(description=UTC)
    nominal: str | None = Field(description=UTC)
    latest: str | None = Field(description=UTC)
    stations: list[str]
    margin_s: float | None


class Option(Document):
    """Settings, and the start times that keep every step covered."""

    start_from: str = Field(description=UTC)
    start_until: str = Field(description=UTC)
    best_start: str = Field(description=UTC)
    margin_s: float
    settings: dict[str, float] = Field(examples=[{"receiver on": 28800.0}])
    steps: list[PlannedStep]


class Blocker(Document):
    """What stands in the way of a plan, and the smallest change that would help."""

    step: str
    reason: str
    relaxation: str


class Alignment(Document):
    """The best plans, best first, or what stands in the way."""

    options: list[Option]
    blocked_by: list[Blocker]
    complete: bool = Field(description="False when the search was given up at its bound.")
    robust_cost_s: float | None
    notice: str


class Exceeds(Document):
    """Another dial that this one must exceed."""

    step: str
    by_s: float


class Dial(Document):
    """A setting, what it can take, and where it stands."""

    step: str
    least_s: float
    greatest_s: float
    resolution_s: float
    value_s: float
    exceeds: list[Exceeds]


class RuleStarts(Document):
    """The start times that one rule alone would allow."""

    step: str
    rule: str
    starts: list[Span]


class BestStart(Document):
    """The best start for given settings."""

    start: str = Field(description=UTC)
    margin_s: float


class StepWithReasons(Step):
    """A step's forecast, and why."""

    reasons: list[str]


class Starts(Document):
    """What given settings leave."""

    target: str
    sequence: str
    allowed: Span
    dials: list[Dial]
    feasible: list[Span]
    by_rule: list[RuleStarts]
    best: BestStart | None
    at: str = Field(description=UTC)
    steps: list[StepWithReasons]


class PlanPreview(Change):
    """What a plan would change."""

    ledger_at: int
    records: list[Record]


class PlanWritten(Change):
    """What a plan changed."""

    records: list[Record]
