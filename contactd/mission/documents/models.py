"""The documents that HTTP, ``--format json`` and the page give, each described once.

A document is a mapping with known members, described for mypy, for OpenAPI and for the tests, which
validate every answer. The modules beside this one make them of what the heart knows, as plain
mappings: a list of ten thousand contacts costs no more than its texts.

Times are RFC 3339 UTC with milliseconds and Z, rounded to the safe side
(:mod:`contactd.mission.timetext`); lengths of time are seconds; what is not known is null.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field
from typing_extensions import TypedDict, is_typeddict

UTC = "RFC 3339 UTC with milliseconds and Z."

Span = TypedDict(
    "Span",
    {
        "from": Annotated[
            str | None,
            Field(description=UTC + " Null: since ever.", examples=["2026-12-03T08:00:00.000Z"]),
        ],
        "to": Annotated[
            str | None,
            Field(description=UTC + " Null: for ever.", examples=["2026-12-03T08:09:14.000Z"]),
        ],
    },
)
"""From one moment until another."""

Outage = TypedDict(
    "Outage",
    {
        "from": Annotated[str | None, Field(description=UTC)],
        "to": Annotated[str | None, Field(description=UTC)],
        "why": Annotated[str, Field(examples=["new gearbox"])],
    },
)
"""When a station is out, and why."""

StationStatus = TypedDict(
    "StationStatus",
    {
        "from": Annotated[str | None, Field(description=UTC)],
        "to": Annotated[str | None, Field(description=UTC + " Null: until further notice.")],
        "status": Literal["out", "degraded"],
        "why": Annotated[str, Field(examples=["elevation drive stuck"])],
        "author": Annotated[str, Field(examples=["Ada Quill"])],
        "record": Annotated[int, Field(description="Number of the record that states it.")],
    },
)
"""What somebody stated of a station."""


class OrbitError(TypedDict):
    """Bounds (95 %) of how far the true motion may be from the predicted one."""

    source: Literal["stated", "covariance", "learned", "assumed", "exact"]
    basis: Annotated[str, Field(examples=["perigees of 450 to 550 km"])]
    at_epoch_s: Annotated[float, Field(description="Along track, at the epoch.")]
    per_day_s: float
    per_day2_s: Annotated[float, Field(description="At an age of t days, half of it times t².")]
    radial_km: float
    cross_track_km: float
    age_s: float
    along_track_s: Annotated[float, Field(description="Along track, at that age.")]


class Contact(TypedDict):
    """An interval in which a target stands above a station's mask."""

    target: Annotated[str, Field(examples=["Lantern 3"])]
    station: Annotated[str, Field(examples=["Brenn Head"])]
    aos: Annotated[str, Field(description=UTC, examples=["2026-12-03T08:00:12.250Z"])]
    tca: Annotated[str, Field(description=UTC, examples=["2026-12-03T08:04:40.000Z"])]
    los: Annotated[str, Field(description=UTC, examples=["2026-12-03T08:09:14.125Z"])]
    aos_azimuth_deg: Annotated[float, Field(examples=[221.5])]
    tca_azimuth_deg: Annotated[float, Field(examples=[143.25])]
    los_azimuth_deg: Annotated[float, Field(examples=[64.125])]
    max_elevation_deg: Annotated[float, Field(examples=[43.0625])]
    tca_range_km: Annotated[float, Field(examples=[684.5])]
    duration_s: Annotated[float, Field(examples=[541.875])]
    cut_at_start: Annotated[bool, Field(examples=[False])]
    cut_at_end: Annotated[bool, Field(examples=[False])]
    outage: Annotated[
        Outage | None, Field(description="The first outage of the station that meets it.")
    ]
    usable: Annotated[list[Span], Field(description="What the station's outages leave of it.")]
    degraded: Annotated[
        StationStatus | None, Field(description="Stated of the station: not counted on then.")
    ]
    aos_early: Annotated[str | None, Field(description=f"95 %. {UTC}")]
    aos_late: Annotated[str | None, Field(description=f"95 %. {UTC}")]
    los_early: Annotated[str | None, Field(description=f"95 %. {UTC}")]
    los_late: Annotated[str | None, Field(description=f"95 %. {UTC}")]
    certain_from: Annotated[
        str | None, Field(description=f"In view for every orbit within the error, from. {UTC}")
    ]
    certain_until: Annotated[str | None, Field(description=UTC)]
    existence_probability: Annotated[
        float | None, Field(ge=0, le=1, description="That the contact happens at all.")
    ]
    orbit_error: OrbitError | None


Covered = Literal["covered", "at risk", "uncovered"]


KeepClear = TypedDict(
    "KeepClear",
    {
        "from": Annotated[str, Field(description=UTC)],
        "to": Annotated[str, Field(description=UTC)],
        "zone": Annotated[
            str | None, Field(description="What must be clear, in words.", examples=["200 m"])
        ],
    },
)
StopChance = TypedDict(
    "StopChance",
    {
        "station": str,
        "stops": Annotated[str, Field(description="The step that the command stops.")],
        "from": Annotated[str, Field(description="The best moment to send it.")],
        "to": Annotated[str, Field(description="After this it prevents nothing.")],
        "catches_from": Annotated[
            str, Field(description="The earliest expiry that a stop sent at once still prevents.")
        ],
        "share": Annotated[
            float, Field(ge=0, le=1, description="Of the possible expiries, what it prevents.")
        ],
    },
)


class StopByWithout(TypedDict):
    """The last certain stop that is left whichever stations are lost."""

    stations_lost: Annotated[int, Field(description="How many, any of them.")]
    stop_by: Annotated[str, Field(description=UTC)]
    station: str


class StationWindow(Span):
    """A window of a station."""

    station: Annotated[str, Field(examples=["Brenn Head"])]


class NextCommand(TypedDict):
    """Until when the next command is needed, so that a countdown is begun anew."""

    by: Annotated[
        str | None, Field(description=f"Last moment to send it; null without a window. {UTC}")
    ]
    station: Annotated[str | None, Field(description="Who sends it then.")]
    windows_left: Annotated[int, Field(description="Certain command windows before that.")]
    last_windows: Annotated[list[StationWindow], Field(description="The last two, by time.")]


class Step(TypedDict):
    """When a step's countdown expires, and what that means."""

    target: Annotated[str, Field(examples=["Lantern 3"])]
    sequence: Annotated[str, Field(examples=["wake-up"])]
    step: Annotated[str, Field(examples=["receiver on"])]
    status: Annotated[str, Field(examples=["running"])]
    earliest: Annotated[str | None, Field(description=UTC, examples=["2026-12-03T14:02:10.000Z"])]
    nominal: Annotated[str | None, Field(description=UTC, examples=["2026-12-03T14:04:00.000Z"])]
    latest: Annotated[str | None, Field(description=UTC, examples=["2026-12-03T14:06:40.000Z"])]
    coverage: Annotated[Covered | None, Field(examples=["at risk"])]
    in_view_probability: Annotated[float | None, Field(ge=0, le=1, examples=[0.82])]
    stations: Annotated[list[str], Field(examples=[["Brenn Head"]])]
    margin_s: Annotated[float | None, Field(examples=[-42.0])]
    stop_by: Annotated[
        str | None,
        Field(
            description=f"Last moment to send a stop that is certain; null once past. {UTC}",
            examples=["2026-12-03T12:41:07.000Z"],
        ),
    ]
    stop_station: Annotated[
        str | None,
        Field(description="Who sends that stop.", examples=["Kestrel Point"]),
    ]
    stops: Annotated[
        str | None,
        Field(description="The step that the command stops.", examples=["antenna release"]),
    ]
    keep_clear: KeepClear | None
    stop_by_without: Annotated[
        list[StopByWithout],
        Field(description="The stop-by that holds after the loss of any 0, 1, 2 stations."),
    ]
    parts: Annotated[
        list[Span],
        Field(description="It expires in one of these, where it is not known in which; or empty."),
    ]
    next_command: NextCommand | None


class ForecastStep(Step):
    """One step's forecast, and how well the orbit is known that it rests on."""

    orbit_error: OrbitError | None


class Fact(TypedDict):
    """One fact from which a bound or a verdict follows."""

    about: Annotated[str, Field(examples=["earliest"])]
    text: Annotated[str, Field(examples=["the start is known to ±30 s"])]
    source: Annotated[str, Field(examples=["record 12"])]


class Need(TypedDict):
    """What a step needs around its expiry."""

    service: Annotated[str, Field(examples=["telemetry"])]
    before_s: float
    after_s: float
    stations: Annotated[int, Field(description="How many at once.")]
    station_change_allowed: bool
    conditions: Annotated[list[str], Field(examples=[["in sunlight"]])]
    text: str


class Cause(TypedDict):
    """Why a step is covered, at risk or uncovered."""

    lacks: Annotated[
        list[str], Field(description="What is missing, the worst first.", examples=[["service"]])
    ]
    need: Annotated[int | None, Field(description="Index of the need that is met the least.")]
    until: Annotated[str | None, Field(description="Until when it could be covered.")]
    since: Annotated[str | None, Field(description="From when it could be covered again.")]
    outside_s: Annotated[float | None, Field(description="How much of the expiry is uncovered.")]
    stations: Annotated[list[str], Field(description="Who has the service throughout.")]
    text: str


class StepDetail(Step):
    """A step's forecast with what it rests on."""

    hazard: Annotated[str | None, Field(examples=["deployment"])]
    stop_certain: Annotated[
        bool | None, Field(description="Whether a stop that is certain to work is still ahead.")
    ]
    stop_possible: bool | None
    stop_text: Annotated[
        str,
        Field(
            description="By when, or by which chances; empty without a stop rule.",
            examples=[
                'stop by 2026-12-03 12:41:07Z: send "stop antenna release" through Brenn Head'
            ],
        ),
    ]
    stop_chances: list[StopChance]
    setting_unknown_s: Annotated[
        list[float] | None,
        Field(description="Least and greatest seconds that its setting may be, if not known."),
    ]
    needs: list[Need]
    cause: Cause | None
    reasons: list[str]
    confirm_at: Annotated[str | None, Field(description=UTC)]
    confirm_station: str | None
    people_in_keep_clear: list[Span]
    later_acts: list[Span]
    facts: list[Fact]


class Start(TypedDict):
    """What is known of a sequence's start."""

    status: Annotated[str, Field(examples=["observed"])]
    earliest: Annotated[str | None, Field(description=UTC)]
    nominal: Annotated[str | None, Field(description=UTC)]
    latest: Annotated[str | None, Field(description=UTC)]
    stopped_at: Annotated[str | None, Field(description=UTC)]
    record: Annotated[
        int, Field(description="Where it comes from; 0 for the configuration.", examples=[12])
    ]


class SequenceForecast(TypedDict):
    """A sequence's forecast with what it rests on."""

    target: str
    sequence: str
    start: Start
    longest_gap: Span | None
    conflicts: list[str]
    notice: str
    people_near: list[Span]
    steps: list[StepDetail]


class Window(Span):
    """A window of a service at a station, and the contact that it is part of."""

    target: str
    station: str
    service: Annotated[str, Field(examples=["command"])]
    beyond_prediction: Annotated[
        bool, Field(description="It goes on; its end is the end of the prediction.")
    ]
    certain: Annotated[
        Span | None, Field(description="The part that holds whatever the orbit error.")
    ]
    aos: Annotated[str | None, Field(description=UTC)]
    los: Annotated[str | None, Field(description=UTC)]
    max_elevation_deg: float | None


class Elements(TypedDict):
    """The element set that predictions rest on."""

    epoch: Annotated[str, Field(description=UTC)]
    source: Annotated[str, Field(examples=["lantern-3.xml"])]
    stale_after_s: float
    stale: bool
    timing_error_s: float
    orbit_error: OrbitError
    orbit_error_text: Annotated[
        str,
        Field(examples=["orbit error ± 4.6 s along track, assumed for perigees of 450 to 550 km"]),
    ]


class StationSpan(Span):
    """A span of time at a station."""

    station: str


class Target(TypedDict):
    """All that the first screen says of a target."""

    name: str
    problem: str | None
    span: Span
    elements: Elements | None
    contacts: int
    next_contact: Contact | None
    windows: list[Window]
    gaps: Annotated[list[Span], Field(description="When nothing is known of the target's motion.")]
    maybe_in_view: Annotated[
        list[StationSpan],
        Field(description="When it may be in view, where a planned manoeuvre leaves that open."),
    ]
    sequences: list[SequenceForecast]


class Alert(TypedDict):
    """An alert that waits for somebody."""

    identity: str
    kind: Annotated[str, Field(examples=["step-uncovered"])]
    severity: Literal["advisory", "caution", "warning"]
    target: str
    subject: str
    what: str
    do: str
    due: Annotated[str | None, Field(description=UTC)]
    moment: Annotated[str | None, Field(description=UTC)]
    over_at: Annotated[str | None, Field(description=UTC)]
    decide_by: Annotated[str | None, Field(description=UTC)]
    changed: str
    late: bool
    facts: dict[str, Any]


class ClockState(TypedDict):
    """Whether the service's clock can be believed."""

    trusted: bool
    why: str
    offset_s: float | None


class ConfigurationState(TypedDict):
    """What configuration is in force, and what is wrong with the files on disk."""

    digest: str
    adopted_at: str | None
    problems: list[str]


AgendaRow = TypedDict(
    "AgendaRow",
    {
        "kind": Annotated[str, Field(examples=["stop by"])],
        "from": Annotated[str, Field(description=UTC)],
        "to": Annotated[str, Field(description="The same as from where it is a moment.")],
        "target": str,
        "sequence": str | None,
        "step": str | None,
        "stops": Annotated[str | None, Field(description="The step that the command stops.")],
        "station": str | None,
        "coverage": Covered | None,
        "until_decided": Annotated[
            bool, Field(description="It stays, whatever the time, until a record decides it.")
        ],
        "text": Annotated[str, Field(description="What it is, without time and target.")],
    },
)


class Agenda(TypedDict):
    """What comes next, each list in order of time, as far as the first screen shows it."""

    decisions: Annotated[
        list[AgendaRow], Field(description="What asks somebody to decide or to act.")
    ]
    routine: list[AgendaRow]


class Now(TypedDict):
    """What matters now."""

    known_at: Annotated[
        str | None, Field(description="The state as known at this moment; null for now.")
    ]
    planned_at: str | None
    ledger_at: int
    ledger_trouble: str
    notice: str
    clock: ClockState
    configuration: ConfigurationState
    alerts: list[Alert]
    agenda: Agenda
    stations: list[StationNow]
    targets: list[Target]


class ServiceTerms(TypedDict):
    """What one service of a station asks of a contact."""

    least_elevation_deg: float
    acquisition_s: float
    guard_s: float


class Station(TypedDict):
    """A ground antenna as configured, and what is stated of it."""

    name: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    least_elevation_deg: float
    mask: list[tuple[float, float]]
    services: dict[str, ServiceTerms]
    outages: Annotated[list[Span], Field(description="Of files and calendars, and stated.")]
    stated: list[StationStatus]


class StationNow(TypedDict):
    """A station, and what is stated of it and not over."""

    name: str
    stated: list[StationStatus]


class KindCount(TypedDict):
    """How often alerts of a kind were raised."""

    kind: str
    count: int


AlarmQuality = TypedDict(
    "AlarmQuality",
    {
        "role": Annotated[str, Field(description="Who had to act; or everyone.")],
        "from": Annotated[str, Field(description=UTC)],
        "to": Annotated[str, Field(description=UTC)],
        "alarms": Annotated[int, Field(description="Alerts that demanded action.")],
        "mean_per_10min": float,
        "peak_per_10min": int,
        "flood_share": Annotated[float, Field(description="Share (0 to 1) of the time in flood.")],
        "standing": Annotated[int, Field(description="Open for longer than a day.")],
        "chattering": int,
        "repeats": int,
        "top": list[KindCount],
        "priorities": Annotated[dict[str, float], Field(description="Share by severity.")],
        "acknowledged": int,
        "median_s": float | None,
        "longest_s": float | None,
        "silenced": int,
        "notices": Annotated[int, Field(description="Alerts that demanded nothing.")],
    },
)
"""Figures of the alarms of a time, for one role."""


class Record(TypedDict):
    """One entry of the ledger."""

    number: Annotated[int | None, Field(description="Null: not stored.", examples=[12])]
    at: Annotated[str, Field(description=UTC)]
    kind: Annotated[str, Field(examples=["start-observed"])]
    subject: Annotated[str, Field(examples=["Lantern 3/wake-up"])]
    author: Annotated[str, Field(examples=["m. aldous"])]
    identity: Annotated[str, Field(description="Of several with one, the first counts.")]
    body: dict[str, Any]


class Change(TypedDict):
    """What a record would change, or did, in words and figures."""

    sentences: Annotated[
        list[str],
        Field(
            examples=[["'receiver on': stop by 2026-12-03 14:02:10Z through Brenn Head; was -."]]
        ),
    ]
    notes: Annotated[
        list[str], Field(description="What contradicts what is known, and new dangers.")
    ]
    before: list[Step]
    after: list[Step]


class Preview(Change):
    """A record that is not written yet, and what it would change."""

    ledger_at: int
    confirmation: Annotated[str, Field(description="One line that says what would be recorded.")]
    record: Record


class Written(Change):
    """A record that was written, and what it changed."""

    confirmation: Annotated[str, Field(description="One line that says what was recorded.")]
    record: Record


class StatementField(TypedDict):
    """One field of a statement."""

    name: Annotated[str, Field(examples=["give_or_take"])]
    type: Literal["moment", "length", "reading", "step", "station", "choice", "text", "count"]
    label: str
    help: str
    required: bool
    default: Annotated[
        str | None, Field(description="What counts where nothing is given, in words.")
    ]
    choices: list[str]
    many: Annotated[bool, Field(description="A list of any number of them.")]


class StatementKind(TypedDict):
    """A kind of statement, as a form asks for it."""

    enter: Annotated[str, Field(examples=["hold"])]
    kind: Annotated[str, Field(description="Of its record.", examples=["sequence-held"])]
    title: str
    help: str
    about: Literal["sequence", "target", "station", "shift", "anything"]
    fields: list[StatementField]


class Session(TypedDict):
    """Who is signed in."""

    name: Annotated[str, Field(examples=["m. aldous"])]
    role: Literal["viewer", "operator"] | None
    csrf: Annotated[str, Field(description="Repeat it in X-Contactd-Csrf when the cookie is used.")]
    can_change: bool
    operators_exist: bool


class PlannedStep(TypedDict):
    """A step of a plan."""

    step: str
    earliest: Annotated[str | None, Field(description=UTC)]
    nominal: Annotated[str | None, Field(description=UTC)]
    latest: Annotated[str | None, Field(description=UTC)]
    stations: list[str]
    margin_s: float | None


class Option(TypedDict):
    """Settings, and the start times that keep every step covered."""

    start_from: Annotated[str, Field(description=UTC)]
    start_until: Annotated[str, Field(description=UTC)]
    best_start: Annotated[str, Field(description=UTC)]
    margin_s: float
    settings: Annotated[dict[str, float], Field(examples=[{"receiver on": 28800.0}])]
    steps: list[PlannedStep]


class Blocker(TypedDict):
    """What stands in the way of a plan, and the smallest change that would help."""

    step: str
    reason: str
    relaxation: str


class Alignment(TypedDict):
    """The best plans, best first, or what stands in the way."""

    options: list[Option]
    blocked_by: list[Blocker]
    complete: Annotated[bool, Field(description="False when the search was given up at its bound.")]
    robust_cost_s: float | None
    notice: str


class Exceeds(TypedDict):
    """Another setting that this one must exceed."""

    step: str
    by_s: float


class Setting(TypedDict):
    """A setting, what it can take, and what it is set to."""

    step: str
    least_s: float
    greatest_s: float
    resolution_s: float
    value_s: float
    exceeds: list[Exceeds]


class RuleStarts(TypedDict):
    """The start times that one rule alone would allow."""

    step: str
    rule: str
    starts: list[Span]


class BestStart(TypedDict):
    """The best start for given settings."""

    start: Annotated[str, Field(description=UTC)]
    margin_s: float


class StepWithReasons(Step):
    """A step's forecast, and why."""

    reasons: list[str]


class Starts(TypedDict):
    """What given settings leave."""

    target: str
    sequence: str
    allowed: Span
    settings: list[Setting]
    feasible: list[Span]
    by_rule: list[RuleStarts]
    best: BestStart | None
    at: Annotated[str, Field(description=UTC)]
    steps: list[StepWithReasons]


class UnusedObservation(TypedDict):
    """An observation that does not count."""

    record: Annotated[int, Field(description="Number of its record.")]
    reason: str


class LearnedOffset(TypedDict):
    """Offset and drift along the track, positive when early; bounds are 95 %."""

    at: Annotated[str, Field(description=UTC + " Of the last contact that counts.")]
    offset_s: float
    bound_s: float
    drift_s_per_day: float
    drift_bound_s_per_day: float
    offset_now_s: float
    bound_now_s: float
    contacts: int
    manoeuvre_suspected: bool


class Orbit(TypedDict):
    """How well an orbit is known, and what observations teach of it."""

    target: str
    corrected: Annotated[bool, Field(description="Whether an adopted correction moves it.")]
    epoch: Annotated[str | None, Field(description=UTC + " Of the elements in use.")]
    age_s: float | None
    bound_s: Annotated[
        float | None, Field(description="How early or late it may be now by its elements alone.")
    ]
    receptions: Annotated[int, Field(description="Observed AOS and LOS that count.")]
    measured: Annotated[int, Field(description="Contacts with tracking data that count.")]
    unused: list[UnusedObservation]
    learned: LearnedOffset | None


class PlanPreview(Change):
    """What a plan would change."""

    ledger_at: int
    records: list[Record]


class PlanWritten(Change):
    """What a plan changed."""

    records: list[Record]


for each in list(globals().values()):
    if is_typeddict(each):
        each.__pydantic_config__ = ConfigDict(extra="forbid")
