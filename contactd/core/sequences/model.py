"""Sequences as configured and as known: starts, clocks, delays, steps and what they need."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.sequences.needs import Condition, DarkStation, InLight, LeastElevation

# With a standard deviation and no bound, the bound is this many of them (JCGM 100:2008, 6.3.3 and
# G.1.3: three standard deviations of a normal quantity hold 99.73 % of it).
SIGMAS_IN_BOUND = 3.0


def bound_of(error: float, sigma: float | None) -> float:
    """The stated bound, or three standard deviations where only those are stated."""
    return error if error > 0 or sigma is None else SIGMAS_IN_BOUND * sigma


class StartStatus(StrEnum):
    """What is known of a start."""

    PENDING = "pending"  # nobody has started it and no time is planned
    EXPECTED = "expected"  # planned within bounds
    OBSERVED = "observed"  # it happened, known within bounds
    IN_DOUBT = "in doubt"  # it may have happened within bounds
    REFUTED = "refuted"  # it did not happen
    STOPPED = "stopped"  # it was running and has been stopped


@dataclass(frozen=True, slots=True)
class Start:
    """The event that sets a sequence going.

    Attributes:
        earliest, nominal, latest: instants (s), bounds included; None while nothing is known.
        stopped_at: when the stop took effect, if ``STOPPED``.
        record: number of the record that this knowledge comes from; 0 for configuration.
        give_or_take_s: how closely the moment of a start that is still to come will be known.
        sigma_s: standard deviation of the start, where it is known to be normal; else None and
            the start is taken as uniform between its bounds.
    """

    status: StartStatus = StartStatus.PENDING
    earliest: float | None = None
    nominal: float | None = None
    latest: float | None = None
    stopped_at: float | None = None
    record: int = 0
    give_or_take_s: float = 0.0
    sigma_s: float | None = None

    @property
    def middle(self) -> float | None:
        """The nominal start, or the middle of its bounds where no nominal is given."""
        if self.nominal is not None or self.earliest is None or self.latest is None:
            return self.nominal
        return self.earliest + (self.latest - self.earliest) / 2

    @property
    def may_run(self) -> bool:
        """Whether the sequence runs, or must be treated as running."""
        return self.status in (StartStatus.OBSERVED, StartStatus.IN_DOUBT)


@dataclass(frozen=True, slots=True)
class TemperatureRate:
    """How the rate of all of a sequence's clocks follows the temperature aboard.

    Rate and temperature are joined by straight lines and held constant beyond the ends.

    Attributes:
        table: (temperature in °C, rate in ppm) of ascending temperature.
        profile: (instant in s, temperature in °C) of ascending instant; one entry for a constant.
        error_c: bound of the temperature's error, both ways.
    """

    table: tuple[tuple[float, float], ...]
    profile: tuple[tuple[float, float], ...]
    error_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Clock:
    """The oscillator behind a countdown.

    A rate of +1 ppm means that the onboard clock runs fast: a countdown of D lasts
    D / (1 + 1e-6) seconds.

    Attributes:
        rate_error_ppm: bound of the unknown rate error, both ways.
        known_rate_ppm: known offset of the rate.
        resets_on_power_loss: a power loss sets a running countdown back to its full setting.
        rate_sigma_ppm: standard deviation of the rate where it is known to be normal; else None
            and the rate is taken as uniform within its bound. With no bound given, three
            standard deviations are the bound.
        temperature: the part of the rate that follows the temperature, on top of the known rate;
            it is the same for all units, and is given with the sequence's own clock only.
    """

    rate_error_ppm: float = 0.0
    known_rate_ppm: float = 0.0
    resets_on_power_loss: bool = False
    rate_sigma_ppm: float | None = None
    temperature: TemperatureRate | None = None

    @property
    def rate_bound_ppm(self) -> float:
        """Bound of the unknown part of the rate, both ways, in ppm."""
        return bound_of(self.rate_error_ppm, self.rate_sigma_ppm)


@dataclass(frozen=True, slots=True)
class TimerUnit:
    """One of several independent timers, each with an oscillator of its own."""

    name: str
    clock: Clock = field(default_factory=Clock)


@dataclass(frozen=True, slots=True)
class Setting:
    """A setting: the delay is chosen before the start.

    Attributes:
        least_s, greatest_s, resolution_s: the values that the setting can take.
        error_s: bound of what the setting's mechanism adds or takes away, both ways.
        chosen_s: the value that is chosen, or None while it is not chosen.
        sigma_s: standard deviation of that error where it is known to be normal.
        exceeds: (step, by how many seconds): this value must exceed that step's setting.
    """

    least_s: float
    greatest_s: float
    resolution_s: float
    error_s: float = 0.0
    chosen_s: float | None = None
    sigma_s: float | None = None
    exceeds: tuple[tuple[str, float], ...] = ()

    @property
    def count(self) -> int:
        """How many values the setting can take."""
        return int((self.greatest_s - self.least_s) / self.resolution_s + 1e-9) + 1

    def nearest(self, seconds: float) -> float:
        """The setting's value nearest to the given one."""
        index = round((seconds - self.least_s) / self.resolution_s)
        return self.least_s + min(max(index, 0), self.count - 1) * self.resolution_s

    def allows(self, seconds: float) -> bool:
        """Whether the setting can be set to this value (to a microsecond)."""
        return abs(self.nearest(seconds) - seconds) <= 1e-6


@dataclass(frozen=True, slots=True)
class Delay:
    """How long a countdown runs: fixed, or a setting.

    Attributes:
        fixed_s: seconds, when there is no setting.
        error_s: bound of the fixed delay's error, both ways.
        sigma_s: standard deviation of that error where it is known to be normal.
    """

    fixed_s: float = 0.0
    error_s: float = 0.0
    setting: Setting | None = None
    sigma_s: float | None = None

    @property
    def error_bound_s(self) -> float:
        """Bound of the delay's error, both ways; three standard deviations where none is given."""
        if self.setting is not None:
            return bound_of(self.setting.error_s, self.setting.sigma_s)
        return bound_of(self.error_s, self.sigma_s)

    @property
    def error_sigma_s(self) -> float | None:
        """Standard deviation of the delay's error where it is normal, else None."""
        return self.sigma_s if self.setting is None else self.setting.sigma_s


@dataclass(frozen=True, slots=True)
class Need:
    """What a step wants around its expiry: a service, covered from before until after.

    Attributes:
        service: name of the service (``telemetry``, ``command``, ``ranging``).
        before_s, after_s: all of [expiry − before_s, expiry + after_s] must be covered.
        least_elevation_deg: elevation above the service's own least one, if more is wanted.
        sunlit: True in sunlight, False in the Earth's shadow, None indifferent.
        dark_station: the station must be in darkness (Sun at or below −6°), for optical sighting.
        stations: how many stations must cover at the same time.
        handover: whether several stations may cover one after the other.
    """

    service: str
    before_s: float = 0.0
    after_s: float = 0.0
    least_elevation_deg: float = 0.0
    sunlit: bool | None = None
    dark_station: bool = False
    stations: int = 1
    handover: bool = True

    @property
    def conditions(self) -> tuple[Condition, ...]:
        """What it asks for beside its service, its stations and its time."""
        found: list[Condition] = []
        if self.least_elevation_deg > 0:
            found.append(LeastElevation(self.least_elevation_deg))
        if self.sunlit is not None:
            found.append(InLight(self.sunlit))
        if self.dark_station:
            found.append(DarkStation())
        return tuple(found)


@dataclass(frozen=True, slots=True)
class StopRule:
    """How a running step can be stopped by command.

    Attributes:
        lead_s: how long before the latest useful moment the team wants to be done.
        takes_effect_s: from reception of the command until the step is stopped.
        stops_later_steps: whether steps that follow from this one are stopped with it.
    """

    lead_s: float = 0.0
    takes_effect_s: float = 0.0
    stops_later_steps: bool = True


@dataclass(frozen=True, slots=True)
class Event:
    """Something from outside that countdowns can go by: a command that is heard, or a contact.

    Attributes:
        commands: names of the commands that it is; empty for any; None where it is none.
        contacts: stations whose contacts it is; empty for any; None where it is none.
    """

    name: str
    commands: tuple[str, ...] | None = None
    contacts: tuple[str, ...] | None = None

    def is_command(self, name: str) -> bool:
        """Whether a command of that name is one."""
        return self.commands is not None and (not self.commands or name in self.commands)

    def is_contact(self, station: str) -> bool:
        """Whether a contact that a station held is one."""
        return self.contacts is not None and (not self.contacts or station in self.contacts)


@dataclass(frozen=True, slots=True)
class Restart:
    """What begins a running countdown anew.

    Attributes:
        by: names of events.
        lead_s: how long before the last useful moment the team wants to be done.
        takes_effect_s: from reception of the command until the countdown has begun anew.
    """

    by: tuple[str, ...]
    lead_s: float = 0.0
    takes_effect_s: float = 0.0


@dataclass(frozen=True, slots=True)
class KeepClear:
    """Keep clear from ``before_s`` before the earliest to ``after_s`` after the latest expiry.

    ``zone`` says what must be clear, in words such as ``200 m``.
    """

    before_s: float = 0.0
    after_s: float = 0.0
    zone: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """Something that the satellite does by itself when a countdown expires.

    Attributes:
        after: names of the steps it counts from; empty for the start itself.
        join: with several in ``after``, whether the ``later`` or the ``earlier`` of them counts.
        hazard: what is dangerous (``deployment``, ``motor``, ``radiation`` …), or None.
        stop: how it can be stopped, or None if it cannot.
        repeat_every_s: the step repeats with this period until it is seen, or None.
        repeat_most: how often it may act at the most when repeated.
        only_if_seen: name of an earlier step that must have been seen for this one to be live.
        timer: name of the timer unit that drives it; None for the sequence's own clock.
        timers: names of the units where several drive it, each counting the same delay.
        units_act: with several, whether the ``first`` to expire acts or ``all`` must have expired.
        restart: what begins its countdown anew while it runs, or None.
    """

    name: str
    delay: Delay
    after: tuple[str, ...] = ()
    join: str = "later"
    needs: tuple[Need, ...] = ()
    hazard: str | None = None
    keep_clear: KeepClear | None = None
    stop: StopRule | None = None
    repeat_every_s: float | None = None
    repeat_most: int = 1
    only_if_seen: str | None = None
    timer: str | None = None
    timers: tuple[str, ...] = ()
    units_act: str = "first"
    restart: Restart | None = None

    @property
    def unit_names(self) -> tuple[str | None, ...]:
        """The units that drive it; ``(None,)`` for the sequence's own clock."""
        return self.timers or (self.timer,)


@dataclass(frozen=True, slots=True)
class Sequence:
    """A named chain of timed steps aboard a target, started by one start event.

    Attributes:
        start: as configured; the ledger may know better.
        people_near: when people are near the satellite.
        steps: in the order of the file.
        units: independent timers that steps may name; the sequence's clock drives the rest.
        events: what countdowns can go by beside the start and other steps.
    """

    target: str
    name: str
    steps: tuple[Step, ...]
    start: Start = field(default_factory=Start)
    clock: Clock = field(default_factory=Clock)
    people_near: IntervalSet = EMPTY
    units: tuple[TimerUnit, ...] = ()
    events: tuple[Event, ...] = ()

    def step(self, name: str) -> Step:
        """The step of that name.

        Raises:
            KeyError: if there is none.
        """
        for each in self.steps:
            if each.name == name:
                return each
        raise KeyError(name)

    def clock_of(self, unit: str | None) -> Clock:
        """The clock of a unit; the sequence's own for None."""
        for each in self.units:
            if each.name == unit:
                return each.clock
        return self.clock


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact from which a bound or a verdict follows.

    Attributes:
        about: what it bears on, such as ``earliest``, ``coverage``, ``stop_by``.
        text: the fact in words.
        source: where it comes from, such as ``configuration`` or ``record 12``.
    """

    about: str
    text: str
    source: str = "configuration"


class Covered(StrEnum):
    """Whether a step's needs are met at its expiry."""

    COVERED = "covered"
    AT_RISK = "at risk"
    UNCOVERED = "uncovered"


@dataclass(frozen=True, slots=True)
class Cause:
    """From what it follows that a step is covered, or why it is not.

    Attributes:
        lacks: what is missing, the worst first, by name: ``service`` (no station has it),
            ``stations`` (too few have it at once), ``station change`` (only one after the other
            would do), the name of a condition of the need (``sunlight``, ``elevation`` …),
            ``together`` (each is met, but not at once), ``orbit error`` (met for a part of the
            possible motions), ``degraded`` (only through stations that are not counted on, those
            in ``stations``), ``manoeuvre`` (it depends on how one goes), ``prediction end``,
            ``prediction begin``, ``prediction gap`` (nothing is known of the motion then). Empty
            where the step is covered.
        need: index of the need that is met the least, or None.
        conditions: the conditions among ``lacks``.
        until, since: last instant (s) before the earliest expiry, and first after the latest one,
            at which all needs could be met; for the ``prediction`` lacks from when until when
            nothing is known. None where there is none.
        stations: who has the service throughout, whatever else is missing.
        outside_s: how much of the possible expiries is not covered, in seconds.
        unchecked: conditions that could not be checked.
    """

    lacks: tuple[str, ...] = ()
    need: int | None = None
    conditions: tuple[Condition, ...] = ()
    until: float | None = None
    since: float | None = None
    stations: tuple[str, ...] = ()
    outside_s: float = 0.0
    unchecked: tuple[Condition, ...] = ()


class StepStatus(StrEnum):
    """What a step is doing."""

    UNSET = "unset"  # its start or a setting before it is unknown: no expiry can be given
    PLANNED = "planned"  # the start is expected
    RUNNING = "running"  # its countdown runs, or must be treated as running
    EXPIRING = "expiring"  # now lies between earliest and latest
    EXPIRED = "expired"  # the latest expiry has passed
    SEEN = "seen"  # its effect was seen
    HELD = "held"  # its countdown stands still until it is resumed
    STOPPED = "stopped"  # it was stopped, or the start was refuted


@dataclass(frozen=True, slots=True)
class StopChance:
    """A command window in which a stop still catches some or all of the possible expiries.

    Attributes:
        station, stops: who sends it, and the step that the command stops.
        opens: the best moment (instant, s) to send it in this window; the earlier, the more it
            catches.
        closes: after this instant (s) a stop sent in this window catches nothing.
        catches_from: the earliest expiry (instant, s) that a stop sent at ``opens`` still prevents.
        share: of all possible expiries, taken as uniform, what it certainly prevents: 0 to 1.
    """

    station: str
    stops: str
    opens: float
    closes: float
    catches_from: float
    share: float


@dataclass(frozen=True, slots=True)
class NextCommand:
    """Until when the next command must be sent, so that a countdown does not expire.

    Attributes:
        by: last instant (s) at which it can be sent; None where no certain window is left.
        station: who sends it then, or None.
        windows_left: certain command windows with any part between now and the limit.
        last_windows: (station, opens, closes) of the last of them, by time.
        limit: instant (s) by which it must have been received.
    """

    by: float | None
    station: str | None
    windows_left: int
    last_windows: tuple[tuple[str, float, float], ...]
    limit: float


@dataclass(frozen=True, slots=True)
class StepForecast:
    """When a step's countdown expires, and what that means.

    Attributes:
        earliest, nominal, latest: expiry (instants, s); None while unset or stopped.
        coverage: against the step's needs; None where it needs nothing or has no expiry.
        in_view_probability: that the needs are met, from 0 to 1; None as for ``coverage``.
        stations: stations whose possible coverage meets the needs somewhere in the interval.
        margin_s: how much earlier or later the expiry interval may fall as a whole and still be
            covered (the smaller of both ways); negative: how far it must move to be covered.
        stop_by: last instant at which a stop can be sent that is certain to work, wherever start
            and expiry lie; None if there is none or no stop rule.
        stop_station: the station that would send it.
        stop_bys: (instant in s, station) of each station's last certain stop that is still ahead,
            the last one first: the n-th still holds after the loss of any n − 1 stations.
        stops: the step that the command stops: the step itself, or an earlier one that takes it
            along.
        stop_certain: None without a stop rule or expiry; whether such a moment is still ahead.
        stop_possible: None as for ``stop_certain``; False when no command window is left in which a
            stop would prevent any of the possible expiries.
        stop_chances: the next command windows in which a stop prevents some or all of them.
        keep_clear: (from, until) instants, or None.
        people_in_danger: the part of people-near that meets the keep-clear.
        confirm_at: first instant after the latest expiry at which telemetry can confirm it.
        confirm_station: the station that would see it.
        later_acts: (earliest, latest) of each later act of a step that repeats.
        needs: what it needs around its expiry.
        cause: from what ``coverage`` follows; None as for ``coverage``. Put into words by
            ``contactd.mission.texts.cause``.
        reasons: sentences that say from what each verdict follows, most important first.
        facts: the facts behind them, for explanations.
        setting_unknown: (least, greatest) seconds that its setting may be, where it is not known.
        parts: (earliest, latest) of each part of the possible expiries, where there is more than
            one: it is not known whether a command that restarts the countdown was heard.
        next_command: until when the next command is needed; None where none restarts it.
        zone: what must be clear during the keep-clear, in words such as ``200 m``; "" where the
            configuration says nothing.
    """

    target: str
    sequence: str
    step: str
    status: StepStatus
    earliest: float | None = None
    nominal: float | None = None
    latest: float | None = None
    coverage: Covered | None = None
    in_view_probability: float | None = None
    stations: tuple[str, ...] = ()
    margin_s: float | None = None
    stop_by: float | None = None
    stop_station: str | None = None
    stop_bys: tuple[tuple[float, str], ...] = ()
    stops: str | None = None
    stop_certain: bool | None = None
    stop_possible: bool | None = None
    stop_chances: tuple[StopChance, ...] = ()
    keep_clear: tuple[float, float] | None = None
    people_in_danger: IntervalSet = EMPTY
    hazard: str | None = None
    reasons: tuple[str, ...] = ()
    confirm_at: float | None = None
    confirm_station: str | None = None
    later_acts: tuple[tuple[float, float], ...] = ()
    facts: tuple[Fact, ...] = ()
    needs: tuple[Need, ...] = ()
    cause: Cause | None = None
    setting_unknown: tuple[float, float] | None = None
    zone: str = ""
    parts: tuple[tuple[float, float], ...] = ()
    next_command: NextCommand | None = None


@dataclass(frozen=True, slots=True)
class SequenceForecast:
    """The forecast of every step of a sequence, from one state of knowledge.

    Attributes:
        start: as known now: readings and sightings may have tightened it.
        longest_silence: the longest time (from, until) without any station while it runs.
        conflicts: records that contradict what was known before, in words; the state before
            them is the one that the forecast rests on.
        hazardous: whether a step is hazardous, so that the notice belongs to it.
    """

    target: str
    sequence: str
    start: Start
    steps: tuple[StepForecast, ...]
    longest_silence: tuple[float, float] | None = None
    conflicts: tuple[str, ...] = ()
    hazardous: bool = False
