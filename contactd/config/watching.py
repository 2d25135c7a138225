"""The configuration that is watched: the files', and what must stay watched whatever they say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol

from contactd.config.configuration import Configuration, Made
from contactd.config.definitions import Lost, digest_of, made_again, relative
from contactd.core.ground.station import Station
from contactd.core.record import Record
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence
from contactd.core.target import Target
from contactd.mission.watchlist import Filed, Ledgered, WatchList, never_adopted, watchlist

Key = tuple[str, str]
TARGET, STATION = "target", "station"


class InForce(Protocol):
    """The definitions that the ledger holds: see :class:`contactd.records.definitions`."""

    @property
    def adopted(self) -> Mapping[Key, Record]:
        """The latest of each thing, by (``target`` or ``station``, name)."""
        ...

    @property
    def aboard(self) -> Mapping[Key, Record]:
        """What was in force when a run began, by (target, sequence)."""
        ...

    @property
    def retired(self) -> frozenset[str]:
        """What was said to be there no longer, as records name it."""
        ...


@dataclass(frozen=True, slots=True)
class Watched:
    """What is watched, as a configuration, and what of that the files do not say."""

    configuration: Configuration
    watch_list: WatchList


class Watching:
    """Joins the files with what the ledger knows; what was made of old texts is kept."""

    def __init__(self, kept: Path) -> None:
        self._kept = kept
        self._made: dict[tuple[str, str, tuple[float, float]], Made] = {}

    def watched(
        self,
        configuration: Configuration,
        sequences: Mapping[Key, SequenceKnowledge],
        definitions: InForce,
        now_s: float,
        wrong: frozenset[str] = frozenset(),
    ) -> Watched:
        """What is to be watched at an instant (s).

        Args:
            configuration: what is good in the files.
            wrong: files that have errors, beside those of the configuration.
            sequences, definitions: what the ledger knows.
        """
        wrong = wrong | configuration.wrong
        stations = self._stations(configuration, definitions, wrong)
        files = _filed(configuration)
        lost: dict[str, str] = {}
        last, refused = self._last(configuration, definitions, sequences, wrong, lost)
        aboard = self._aboard(configuration, definitions, lost)
        ledger = Ledgered(
            sequences=sequences,
            last={name: _target(each) for name, each in last.items()},
            refused=refused,
            aboard=aboard,
            lost=lost,
            paths={
                name: relative(each.path, configuration.directory) for name, each in last.items()
            },
        )
        found = watchlist(files, ledger, now_s)
        strange = never_adopted(self._strange(configuration, definitions, wrong))
        found = replace(found, unwatched=(*found.unwatched, *strange))
        kept = {name: last[name] for name in found.kept}
        return Watched(_joined(configuration, found, stations, kept), found)

    def _make(self, record: Record, configuration: Configuration) -> Made:
        key = record.subject, str(record.body.get("digest")), configuration.span
        if key not in self._made:
            rules = configuration.settings.elements
            self._made[key] = made_again(
                record, configuration.directory, self._kept, rules, configuration.span
            )
        return self._made[key]

    def _stations(
        self, configuration: Configuration, definitions: InForce, wrong: frozenset[str]
    ) -> dict[str, Station]:
        """Stations whose files are wrong now, as they were last adopted."""
        found: dict[str, Station] = {}
        for (what, name), record in definitions.adopted.items():
            if what != STATION or name in configuration.stations:
                continue
            if not _is_refused(record, configuration, wrong):
                continue
            try:
                thing = self._make(record, configuration).thing
            except Lost:
                continue
            if isinstance(thing, Station):
                found[name] = thing
        return found

    def _last(
        self,
        configuration: Configuration,
        definitions: InForce,
        sequences: Mapping[Key, SequenceKnowledge],
        wrong: frozenset[str],
        lost: dict[str, str],
    ) -> tuple[dict[str, Made], frozenset[str]]:
        """Targets that the files do not have now; and the names of those whose file is wrong."""
        found: dict[str, Made] = {}
        refused: set[str] = set()
        for (what, name), record in definitions.adopted.items():
            if what != TARGET or name in configuration.targets or name in definitions.retired:
                continue
            if _is_refused(record, configuration, wrong):
                refused.add(name)
            elif not _is_bound(record, sequences) and not any(
                key[0] == name for key in definitions.aboard
            ):
                continue
            try:
                found[name] = self._make(record, configuration)
            except Lost as problem:
                lost[name] = str(problem)
        return found, frozenset(refused)

    def _aboard(
        self, configuration: Configuration, definitions: InForce, lost: dict[str, str]
    ) -> dict[Key, Sequence]:
        """Sequences as they were when their run began, where another file is in force now."""
        digests = {
            each.thing.name: digest_of(each)
            for each in configuration.made.values()
            if isinstance(each.thing, Target) and each.thing.name in configuration.targets
        }
        found: dict[Key, Sequence] = {}
        for (name, sequence), record in definitions.aboard.items():
            if digests.get(name) == record.body.get("digest"):
                continue
            gone = {name, f"{name}/{sequence}"} & definitions.retired
            if gone and not _has(configuration.targets.get(name), sequence):
                continue
            try:
                target = _target(self._make(record, configuration))
                found[name, sequence] = target.sequence(sequence)
            except (Lost, KeyError) as problem:
                lost[f"{name}/{sequence}"] = f"as it runs aboard: {problem}"
        return found

    def _strange(
        self, configuration: Configuration, definitions: InForce, wrong: frozenset[str]
    ) -> list[str]:
        """Files of targets that are wrong and of which nothing was ever adopted."""
        known = {
            str(_path(each, configuration))
            for each in (*definitions.adopted.values(), *definitions.aboard.values())
        }
        folder = configuration.directory / "targets"
        used = {str(path) for path in configuration.made}
        return [
            relative(Path(path), configuration.directory)
            for path in wrong - known - used
            if Path(path).parent == folder
        ]


def _filed(configuration: Configuration) -> dict[str, Filed]:
    by_name = {
        each.thing.name: each
        for each in configuration.made.values()
        if isinstance(each.thing, Target)
    }
    found = {}
    for name, target in configuration.targets.items():
        made = by_name.get(name)
        if made is None:
            found[name] = Filed(target)
            continue
        path = relative(made.path, configuration.directory)
        found[name] = Filed(target, path, made.lines)
    return found


def _has(target: Target | None, sequence: str) -> bool:
    return target is not None and any(each.name == sequence for each in target.sequences)


def _target(made: Made) -> Target:
    assert isinstance(made.thing, Target)
    return made.thing


def _path(record: Record, configuration: Configuration) -> Path:
    return configuration.directory / str(record.body.get("file", ""))


def _is_refused(record: Record, configuration: Configuration, wrong: frozenset[str]) -> bool:
    """Whether the file of a definition, or one that it refers to, is there and is wrong."""
    files: Any = record.body.get("files", ())
    names = [str(record.body.get("file", "")), *(str(each.get("name", "")) for each in files)]
    return any(str(configuration.directory / name) in wrong for name in names)


def _is_bound(record: Record, sequences: Mapping[Key, SequenceKnowledge]) -> bool:
    """Whether a target that is gone may have to stay: something runs, or has records."""
    starts: Any = record.body.get("sequences", {})
    return any(
        status != "pending" or (record.subject, name) in sequences
        for name, status in starts.items()
    )


def _joined(
    configuration: Configuration,
    found: WatchList,
    stations: Mapping[str, Station],
    kept: Mapping[str, Made],
) -> Configuration:
    """The configuration with what must stay watched."""
    if not stations and dict(found.targets) == dict(configuration.targets):
        return configuration
    settings, shares = configuration.settings, configuration.settings.station_time
    leads = {n: m.leads.over(settings.alerts) for n, m in kept.items() if m.leads is not None}
    feeds = {name: made.feed for name, made in kept.items() if made.feed is not None}
    requests = {name: made.requests for name, made in kept.items()} if shares else {}
    return replace(
        configuration,
        targets=MappingProxyType(dict(found.targets)),
        stations=MappingProxyType({**configuration.stations, **stations}),
        leads=MappingProxyType({**configuration.leads, **leads}),
        feeds=MappingProxyType({**configuration.feeds, **feeds}),
        requests=MappingProxyType({**configuration.requests, **requests}),
    )
