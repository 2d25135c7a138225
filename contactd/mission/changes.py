"""What a record, new elements or edited files change, in words and figures."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, fields

from contactd.core.change import ElementsChange
from contactd.core.ground.station import Station
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import Sequence, SequenceForecast, Start, StepForecast
from contactd.core.target import Target
from contactd.mission.texts.stop import NO_STOP, stop_text
from contactd.mission.timetext import NO_EARLIER, length, outer

__all__ = [
    "NOTHING",
    "Change",
    "StartChange",
    "StepChange",
    "across",
    "between",
    "of_elements",
    "of_files",
]

NOTHING = "No expiry, stop-by or keep-clear changes."
UNSTORED = "record 0"
_SHOWN_OTHERWISE = ("outage_reasons", "stated", "configured")


@dataclass(frozen=True, slots=True)
class StartChange:
    """A sequence's start before and after."""

    sequence: str
    was: Start
    now_is: Start


@dataclass(frozen=True, slots=True)
class StepChange:
    """A step's forecast before and after; at least one thing that people act on differs."""

    was: StepForecast
    now_is: StepForecast

    @property
    def row_differs(self) -> bool:
        """Whether status, expiry or coverage differ."""
        return (
            self.was.status is not self.now_is.status
            or expiry_text(self.was) != expiry_text(self.now_is)
            or self.was.coverage is not self.now_is.coverage
        )

    @property
    def stop_differs(self) -> bool:
        """Whether the stop-by differs, or whether there is one."""
        return stop_text(self.was) != stop_text(self.now_is)

    @property
    def keep_clear_differs(self) -> bool:
        """Whether the keep-clear differs."""
        return keep_clear_text(self.was) != keep_clear_text(self.now_is)


@dataclass(frozen=True, slots=True)
class Change:
    """What a record changes about one target.

    Attributes:
        before, after: every step's forecast.
        starts, steps: what differs.
        conflicts: what contradicts what, that did not before; sentences.
        dangers: what becomes dangerous; sentences.
        hazardous: whether a step is hazardous: the hazard notice goes with it.
        now_s: the present (instant, s).
        names_targets: whether sentences say which target they are of.
    """

    before: tuple[StepForecast, ...]
    after: tuple[StepForecast, ...]
    starts: tuple[StartChange, ...]
    steps: tuple[StepChange, ...]
    conflicts: tuple[str, ...]
    dangers: tuple[str, ...]
    hazardous: bool
    now_s: float
    names_targets: bool = False

    @property
    def notes(self) -> tuple[str, ...]:
        """What whoever stated it should know: conflicts, then dangers."""
        return self.conflicts + self.dangers

    @property
    def sentences(self) -> tuple[str, ...]:
        """All that differs, a sentence each; :data:`NOTHING` where nothing does."""
        found = [
            f"{each.sequence}: start was {each.was.status}, now {each.now_is.status}."
            for each in self.starts
            if each.was.status is not each.now_is.status
        ]
        for each in self.steps:
            of = f"{each.now_is.target}: " if self.names_targets else ""
            found += [f"{of}{sentence}" for sentence in _differences(each)]
        return tuple(found) or (NOTHING,)


def between(before: TargetOutlook | None, after: TargetOutlook | None, now_s: float) -> Change:
    """What differs between two outlooks of one target (None: there is none).

    Args:
        now_s: the present (instant, s).
    """
    steps_before, steps_after = _steps(before), _steps(after)
    was = {(each.sequence, each.step): each for each in steps_before}
    pairs = [
        StepChange(was[each.sequence, each.step], each)
        for each in steps_after
        if (each.sequence, each.step) in was
    ]
    changed = tuple(
        each for each in pairs if each.row_differs or each.stop_differs or each.keep_clear_differs
    )
    starts_before = {each.sequence: each.start for each in _forecasts(before)}
    starts = tuple(
        StartChange(each.sequence, starts_before[each.sequence], each.start)
        for each in _forecasts(after)
        if each.sequence in starts_before
        and _facts(starts_before[each.sequence]) != _facts(each.start)
    )
    conflicts = tuple(sorted(_conflicts(after) - _conflicts(before)))
    return Change(
        before=steps_before,
        after=steps_after,
        starts=starts,
        steps=changed,
        conflicts=conflicts,
        dangers=tuple(_dangers(pairs)),
        hazardous=any(each.hazardous for each in _forecasts(after)),
        now_s=now_s,
    )


def across(
    before: Mapping[str, TargetOutlook], after: Mapping[str, TargetOutlook], now_s: float
) -> Change:
    """What differs between the outlooks of all targets: what concerns a station changes.

    Args:
        now_s: the present (instant, s).
    """
    found = {name: between(before.get(name), after.get(name), now_s) for name in sorted(after)}
    changes = list(found.values())
    return Change(
        before=tuple(step for each in changes for step in each.before),
        after=tuple(step for each in changes for step in each.after),
        starts=tuple(start for each in changes for start in each.starts),
        steps=tuple(step for each in changes for step in each.steps),
        conflicts=tuple(text for each in changes for text in each.conflicts),
        dangers=tuple(f"{name}: {text}" for name, each in found.items() for text in each.dangers),
        hazardous=any(each.hazardous and each.steps for each in changes),
        now_s=now_s,
        names_targets=True,
    )


def of_elements(change: ElementsChange) -> str:
    """What new elements changed of a target's contacts, in a sentence."""
    furthest = change.furthest
    parts = ["no AOS could be compared"]
    if furthest is not None:
        apart = length(abs(furthest.seconds), NO_EARLIER)
        way = "later" if furthest.seconds > 0 else "earlier"
        parts = [f"AOS up to {apart} {way}, with {furthest.station}"]
    if change.appeared:
        parts.append(f"{_count(change.appeared)} more")
    if change.vanished:
        parts.append(f"{_count(change.vanished)} fewer")
    return f"{change.target}: new elements: {', '.join(parts)}."


def of_files(
    targets: tuple[Mapping[str, Target], Mapping[str, Target]],
    stations: tuple[Mapping[str, Station], Mapping[str, Station]],
) -> tuple[str, ...]:
    """What edited files changed, a sentence each: targets by name, then stations.

    Args:
        targets, stations: by name, before and after.
    """
    was, now_is = targets
    sites_were, sites_are = stations
    return (
        *_of_kind("Target", was.keys(), now_is.keys()),
        *(
            f"Target '{name}' changed: {', '.join(_target_differs(was[name], now_is[name]))}."
            for name in sorted(was.keys() & now_is.keys())
            if was[name] != now_is[name]
        ),
        *_of_kind("Station", sites_were.keys(), sites_are.keys()),
        *(
            f"Station '{name}' changed: "
            f"{', '.join(_station_differs(sites_were[name], sites_are[name])) or 'its notes'}."
            for name in sorted(sites_were.keys() & sites_are.keys())
            if sites_were[name] != sites_are[name]
        ),
    )


def _of_kind(kind: str, before: Set[str], after: Set[str]) -> Iterable[str]:
    for name in sorted(before - after):
        yield f"{kind} '{name}' removed."
    for name in sorted(after - before):
        yield f"{kind} '{name}' added."


def _target_differs(before: Target, after: Target) -> Iterable[str]:
    yield from _fields_that_differ(before, after, leave="sequences")
    was = {each.name: each for each in before.sequences}
    now_is = {each.name: each for each in after.sequences}
    for name in sorted(was.keys() | now_is.keys()):
        if name not in now_is:
            yield f"sequence '{name}' removed"
        elif name not in was:
            yield f"sequence '{name}' added"
        elif was[name] != now_is[name]:
            yield f"sequence '{name}'{_steps_that_differ(was[name], now_is[name])}"


def _steps_that_differ(before: Sequence, after: Sequence) -> str:
    was = {each.name: each for each in before.steps}
    now_is = {each.name: each for each in after.steps}
    names = sorted(name for name in {**was, **now_is} if was.get(name) != now_is.get(name))
    return f" (steps {', '.join(names)})" if names else ""


def _station_differs(before: Station, after: Station) -> Iterable[str]:
    for start, end in after.outages - before.outages:
        yield f"out {outer(start, end)}"
    for start, end in before.outages - after.outages:
        yield f"no longer out {outer(start, end)}"
    yield from _fields_that_differ(before, after, leave="outages")


def _fields_that_differ(
    before: Target | Station, after: Target | Station, leave: str
) -> Iterable[str]:
    """Names of what differs, as people write them."""
    for each in fields(before):
        differs = getattr(before, each.name) != getattr(after, each.name)
        if differs and each.name not in (leave, *_SHOWN_OTHERWISE):
            yield each.name.removesuffix("_s").removesuffix("_deg").replace("_", " ")


def _count(contacts: int) -> str:
    return "1 contact" if contacts == 1 else f"{contacts} contacts"


def expiry_text(step: StepForecast, day_of_year: bool = False) -> str:
    """When a step expires, never shorter than it is."""
    if step.earliest is None or step.latest is None:
        return "at no known time"
    return outer(step.earliest, step.latest, day_of_year=day_of_year)


def keep_clear_text(step: StepForecast, day_of_year: bool = False) -> str:
    """When everyone must keep clear, never shorter than it is."""
    if step.keep_clear is None:
        return "-"
    return outer(*step.keep_clear, day_of_year=day_of_year)


def _differences(change: StepChange) -> Iterable[str]:
    was, now_is = change.was, change.now_is
    name = f"'{now_is.step}'"
    if was.status is not now_is.status:
        yield f"{name} was {was.status}, now {now_is.status}."
    if expiry_text(was) != expiry_text(now_is):
        yield f"{name} expires {expiry_text(now_is)}; was {expiry_text(was)}."
    if was.coverage is not now_is.coverage:
        yield f"{name} is {_word(now_is.coverage)}; was {_word(was.coverage)}."
    if change.stop_differs:
        yield f"{name}: {stop_text(now_is) or NO_STOP}; was: {stop_text(was) or NO_STOP}."
    if change.keep_clear_differs:
        yield f"{name}: keep clear {keep_clear_text(now_is)}; was {keep_clear_text(was)}."


def _dangers(pairs: Iterable[StepChange]) -> Iterable[str]:
    for each in pairs:
        name = f"'{each.now_is.step}'"
        if each.now_is.people_in_danger and not each.was.people_in_danger:
            yield f"{name}: people are planned to be near during keep-clear."
        if each.now_is.stop_possible is False and each.was.stop_possible is not False:
            yield f"{name}: no command window is left to stop it."
        elif each.was.stop_certain and not each.now_is.stop_certain:
            yield f"{name}: no stop is certain any more."


def _forecasts(outlook: TargetOutlook | None) -> tuple[SequenceForecast, ...]:
    return () if outlook is None else outlook.forecasts


def _steps(outlook: TargetOutlook | None) -> tuple[StepForecast, ...]:
    return tuple(step for forecast in _forecasts(outlook) for step in forecast.steps)


def _conflicts(outlook: TargetOutlook | None) -> set[str]:
    return {
        text.replace(UNSTORED, "this record")
        for forecast in _forecasts(outlook)
        for text in forecast.conflicts
    }


def _facts(start: Start) -> tuple[object, ...]:
    return start.status, start.earliest, start.latest, start.stopped_at


def _word(value: object) -> str:
    return "not judged" if value is None else str(value)
