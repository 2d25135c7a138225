"""The folder of configuration files, read as a whole: all of it, or every error in it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Generic, TypeVar

from contactd.config.build import Builder, unknown
from contactd.config.configuration import Configuration, ElementFeed, Notice
from contactd.config.files import FileState, Reader, Unreadable, yaml_files
from contactd.config.places import MOST_ERRORS_PER_FILE, Document, Location, read_document
from contactd.config.settings import AlertLeads, Settings
from contactd.config.station_file import StationFile
from contactd.config.target_file import TargetFile
from contactd.config.types import nearest
from contactd.config.yaml12 import MOST_BYTES
from contactd.core.errors import InputError, InputErrors
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S, from_unix
from contactd.core.planning import Target

SETTINGS_FILE = "contactd.yaml"
STATIONS_FOLDER = "stations"
TARGETS_FOLDER = "targets"
LEDGER_FILE = "ledger.sqlite"
MOST_FILES = 100_000
MOST_SECRET_BYTES = 64 << 10
# Recurring outages are written out from so long before to so long after the present.
WRITTEN_OUT_BEFORE_S, WRITTEN_OUT_AFTER_S = 60 * DAY_S, 460 * DAY_S
SERVICES = ("telemetry", "command", "ranging")

Made = TypeVar("Made")


@dataclass(frozen=True, slots=True)
class Examined:
    """What could be made of a folder.

    Attributes:
        configuration: what is good in it; what is not is left out.
        errors: everything that is wrong, in order of place.
    """

    configuration: Configuration
    errors: tuple[InputError, ...]


def load(
    directory: Path, state_directory: Path | None = None, around: float | None = None
) -> Configuration:
    """The configuration in a folder.

    Args:
        directory: holds ``contactd.yaml``, ``stations/`` and ``targets/``, each of which may be
            absent.
        state_directory: where the ledger lies unless the settings say otherwise; ``var`` beside
            the folder if None.
        around: the present (instant, s): recurring events are written out around it. Without it,
            around the newest modification date in the folder.

    Raises:
        InputErrors: with every error of every file.
    """
    found = examine(directory, state_directory, around)
    if found.errors:
        raise InputErrors(found.errors)
    return found.configuration


def examine(
    directory: Path, state_directory: Path | None = None, around: float | None = None
) -> Examined:
    """As :func:`load`, but with what is good beside the errors, for a start in spite of them."""
    return _Loader(directory, state_directory, around).examine()


@dataclass(slots=True)
class _Loaded(Generic[Made]):
    """One file, and what was made of it."""

    document: Document
    name: str
    made: Made


@dataclass(slots=True)
class _Loader:
    directory: Path
    state_directory: Path | None
    around: float | None
    reader: Reader = field(default_factory=Reader)
    errors: list[InputError] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    feeds: dict[str, ElementFeed] = field(default_factory=dict)
    leads: dict[str, AlertLeads] = field(default_factory=dict)
    documents: list[Document] = field(default_factory=list)
    span: tuple[float, float] = (0.0, 0.0)

    def examine(self) -> Examined:
        settings_file = self._settings_file()
        station_files = self._listed(STATIONS_FOLDER)
        target_files = self._listed(TARGETS_FOLDER)
        around = self.around
        if around is None:
            around = _newest([settings_file, *station_files, *target_files])
        self.span = (around - WRITTEN_OUT_BEFORE_S, around + WRITTEN_OUT_AFTER_S)
        settings = self._settings(settings_file)
        stations = self._named([self._station(path) for path in station_files], "station")
        targets = self._named([self._target(path, settings) for path in target_files], "target")
        self._check_services(stations, targets)
        for document in self.documents:
            self.errors += _bounded(document)
        configuration = Configuration(
            directory=self.directory,
            settings=settings,
            stations=MappingProxyType({name: each.made for name, each in stations.items()}),
            targets=MappingProxyType({name: each.made for name, each in targets.items()}),
            leads=MappingProxyType({name: self.leads[name] for name in targets}),
            feeds=MappingProxyType({n: feed for n, feed in self.feeds.items() if n in targets}),
            store_url=settings.store.url or self._default_store(),
            digest=_digest(self.directory, self.reader.states),
            files=MappingProxyType(dict(self.reader.states)),
            span=self.span,
            notices=tuple(sorted(self.notices, key=lambda each: (each.path, each.line))),
        )
        order = sorted(self.errors, key=lambda error: (error.path, error.line, error.column))
        return Examined(configuration, tuple(order))

    def _settings_file(self) -> Path:
        """The settings' file; misspelt names of it are noted, for it may be absent."""
        path = self.directory / SETTINGS_FILE
        try:
            if not self.directory.is_dir():
                found = "a file" if self.directory.exists() else "no such folder"
                expected = f"a folder that holds {SETTINGS_FILE}, stations and targets"
                self.errors.append(InputError(expected, found, path=str(self.directory)))
                return path
            present = yaml_files(self.directory)
        except (Unreadable, OSError) as problem:
            expected = "a folder that can be read"
            self.errors.append(InputError(expected, str(problem), path=str(self.directory)))
            return path
        for other in present:
            if other != path and nearest(other.stem, ["contactd"]) is not None:
                expected = f"{SETTINGS_FILE} as the one name of the service's settings"
                self.errors.append(InputError(expected, other.name, path=str(other)))
        return path

    def _listed(self, folder: str) -> list[Path]:
        try:
            found = yaml_files(self.directory / folder)
        except Unreadable as problem:
            expected, path = "a folder of YAML files", str(self.directory / folder)
            self.errors.append(InputError(expected, str(problem), path=path))
            return []
        if len(found) > MOST_FILES:
            expected, path = f"at most {MOST_FILES:,} files", str(self.directory / folder)
            self.errors.append(InputError(expected, f"{len(found):,}", path=path))
        return found[:MOST_FILES]

    def _document(self, path: Path) -> Document | None:
        try:
            document = read_document(path, self.reader.read(path, MOST_BYTES))
        except Unreadable as problem:
            expected = "a file that can be read"
            self.errors.append(InputError(expected, str(problem), path=str(path)))
            return None
        except InputError as error:
            self.errors.append(error)
            return None
        self.documents.append(document)
        return document

    def _settings(self, path: Path) -> Settings:
        if not path.exists():
            self.reader.states[path] = FileState()
            return Settings()
        document = self._document(path)
        settings = document.validated(Settings) if document is not None else None
        if document is None or settings is None:
            return Settings()
        files = [
            ("store", "password_file", settings.store.password_file),
            ("http", "tokens_file", settings.http.tokens_file),
        ]
        places: list[tuple[Location, str]] = [
            ((section, key), name) for section, key, name in files if name is not None
        ]
        for index, channel in enumerate(settings.channels):
            name = getattr(channel, "secret_file", None)
            if name is not None:
                places.append((("channels", index, "secret_file"), name))
        for location, name in places:
            self._check_secret(document, location, name)
        return settings

    def _check_secret(self, document: Document, location: Location, name: str) -> None:
        """A secret is read where it is used; here only whether it can be."""
        try:
            data = self.reader.read(document.path.parent / name, MOST_SECRET_BYTES)
        except Unreadable as problem:
            document.note(location, "a file that can be read", f"{name}, which is {problem}")
            return
        if not data.strip():
            document.note(location, "a file with the secret in it", f"{name}, which is empty")

    def _station(self, path: Path) -> _Loaded[Station] | None:
        document = self._document(path)
        file = document.validated(StationFile) if document is not None else None
        if document is None or file is None:
            return None
        builder = Builder(document, self.reader, self.span)
        station = builder.station(file)
        self.notices += builder.notices
        return _Loaded(document, file.name, station)

    def _target(self, path: Path, settings: Settings) -> _Loaded[Target] | None:
        document = self._document(path)
        file = document.validated(TargetFile) if document is not None else None
        if document is None or file is None:
            return None
        builder = Builder(document, self.reader, self.span)
        target = builder.target(file, settings.elements)
        feed = builder.feed(file, settings.elements)
        self.notices += builder.notices
        if file.name not in self.leads:
            self.leads[file.name] = file.alerts.over(settings.alerts)
            if feed is not None:
                self.feeds[file.name] = feed
        return _Loaded(document, file.name, target)

    def _named(self, loaded: list[_Loaded[Made] | None], what: str) -> dict[str, _Loaded[Made]]:
        """By name; a name that is taken is noted, and a file with errors is left out."""
        known: dict[str, _Loaded[Made]] = {}
        for each in loaded:
            if each is None:
                continue
            if each.name in known:
                other = known[each.name].document.place(("name",)).rsplit(": ", 1)[0]
                expected = f"a name that no other {what} has: it stands in {other} already"
                each.document.note(("name",), expected)
                continue
            known[each.name] = each
        return {name: each for name, each in known.items() if not each.document.errors}

    def _check_services(
        self, stations: dict[str, _Loaded[Station]], targets: dict[str, _Loaded[Target]]
    ) -> None:
        """Needs must name services that there are."""
        offered = {service for each in stations.values() for service in each.made.services}
        known = sorted(offered | set(SERVICES))
        for name, each in list(targets.items()):
            for index, sequence in enumerate(each.made.sequences):
                for number, step in enumerate(sequence.steps):
                    for count, need in enumerate(step.needs):
                        place = ("sequences", index, "steps", number, "needs", count, "service")
                        if need.service not in known:
                            expected = unknown(need.service, known, "a service of some station")
                            each.document.note(place, expected)
                            targets.pop(name, None)
                        elif need.service not in offered:
                            self._notice(each.document, place, "no station offers this service")

    def _notice(self, document: Document, location: Location, text: str) -> None:
        error = document.error(location, text)
        self.notices.append(Notice(text, error.key, error.path, error.line, error.column))

    def _default_store(self) -> str:
        folder = self.state_directory or self.directory.resolve().parent / "var"
        return f"sqlite:///{(folder / LEDGER_FILE).absolute()}"


def _bounded(document: Document) -> list[InputError]:
    errors = document.errors
    if len(errors) <= MOST_ERRORS_PER_FILE:
        return errors
    more = len(errors) - MOST_ERRORS_PER_FILE
    last = InputError("these mended first", f"{more} more errors", path=str(document.path))
    return [*errors[:MOST_ERRORS_PER_FILE], last]


def _newest(paths: list[Path]) -> float:
    newest = 0.0
    for path in paths:
        try:
            newest = max(newest, path.stat().st_mtime)
        except OSError:
            continue
    return from_unix(newest)


def _digest(directory: Path, states: Mapping[Path, FileState]) -> str:
    """The same for the same files, wherever the folder stands and whatever their dates."""
    total = hashlib.sha256()
    for path in sorted(states):
        name = path.relative_to(directory) if path.is_relative_to(directory) else path
        total.update(f"{name}\0{states[path].digest}\0".encode("utf-8", "surrogateescape"))
    return total.hexdigest()
