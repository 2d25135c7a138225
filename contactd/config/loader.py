"""The folder of configuration files, read as a whole: all of it, or every error in it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar
from urllib.parse import quote

from contactd.config.build_cache import Maker, station_names
from contactd.config.configuration import (
    WRITTEN_OUT_AFTER_S,
    WRITTEN_OUT_BEFORE_S,
    Configuration,
    Made,
    Mention,
    Notice,
)
from contactd.config.error_locations import Document, Location, bounded, read_document
from contactd.config.files import FileState, Reader, Unreadable, access_of, yaml_files
from contactd.config.settings import Settings
from contactd.config.types import nearest, unknown
from contactd.config.yaml12 import MOST_BYTES
from contactd.core.allocation.request import Request
from contactd.core.errors import InputError, InputErrors
from contactd.core.ground.station import Station
from contactd.core.instants import from_unix
from contactd.core.target import Target

SETTINGS_FILE = "contactd.yaml"
STATIONS_FOLDER = "stations"
TARGETS_FOLDER = "targets"
KEPT_FOLDER = "kept"
LEDGER_FILE = "ledger.sqlite"
MOST_FILES = 100_000
MOST_SECRET_BYTES = 64 << 10
SERVICES = ("telemetry", "command", "ranging")

Key = TypeVar("Key")
Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class Examined:
    """What could be made of a folder.

    Attributes:
        configuration: what is good in it; what is not is left out.
        errors: everything that is wrong, in order of place.
        settings_known: false where the settings themselves are wrong, so that the ledger might be
            looked for in the wrong place, and no last valid ones are kept.
    """

    configuration: Configuration
    errors: tuple[InputError, ...]
    settings_known: bool = True


def load(
    directory: Path,
    state_directory: Path | None = None,
    around: float | None = None,
    earlier: Configuration | None = None,
) -> Configuration:
    """The configuration in a folder.

    Args:
        directory: holds ``contactd.yaml``, ``stations/`` and ``targets/``, each of which may be
            absent.
        state_directory: where the ledger lies unless the settings say otherwise; ``var`` beside
            the folder if None.
        around: the present (instant, s): recurring events are written out around it. Without it,
            around the newest modification date in the folder.
        earlier: of the same folder: what has not changed since is taken over.

    Raises:
        InputErrors: with every error of every file.
    """
    found = examine(directory, state_directory, around, earlier)
    if found.errors:
        raise InputErrors(found.errors)
    return found.configuration


def examine(
    directory: Path,
    state_directory: Path | None = None,
    around: float | None = None,
    earlier: Configuration | None = None,
) -> Examined:
    """As :func:`load`, but with what is good beside the errors, for a start in spite of them."""
    return _Loader(directory, state_directory, around, earlier).examine()


def kept_folder(directory: Path, state_directory: Path | None) -> Path:
    """Where copies are kept of what the ledger does not hold: secrets, and what is large."""
    return (state_directory or state_folder(directory.resolve())) / KEPT_FOLDER


class _Loader:
    """One load of one folder."""

    def __init__(
        self,
        directory: Path,
        state_directory: Path | None,
        around: float | None,
        earlier: Configuration | None,
    ) -> None:
        self.directory = directory
        self.state_directory = state_directory
        self.kept = kept_folder(directory, state_directory)
        self.errors: list[InputError] = []
        self.notices: list[Notice] = []
        self.station_names: tuple[Mention, ...] = ()
        self.settings_known = True
        self.settings_file = self._settings_file()
        self.station_files = self._listed(STATIONS_FOLDER)
        self.target_files = self._listed(TARGETS_FOLDER)
        if around is None:
            around = _newest([self.settings_file, *self.station_files, *self.target_files])
        self.around = around
        self.span = self._span(around, earlier)
        self.maker = Maker(Reader(), self.span, earlier.made if earlier is not None else {})

    def examine(self) -> Examined:
        settings = self._settings(self.settings_file)
        rules = settings.elements
        stations = self._named([self.maker.station(path) for path in self.station_files])
        targets = self._named([self.maker.target(path, rules) for path in self.target_files])
        if not self.target_files:
            self._note_nothing_watched()
        self._check_services(stations, targets)
        self._check_links(stations, targets)
        requests = self._requests(settings, stations, targets)
        self._note_pole(settings)
        notices = [*self.notices, *(n for each in self.maker.made.values() for n in each.notices)]
        states = self.maker.reader.states
        errors = [*self.errors, *self.maker.errors]
        configuration = Configuration(
            wrong=frozenset(error.path for error in errors),
            directory=self.directory,
            settings=settings,
            stations=self._with_pole(settings, _things(stations, Station)),
            targets=_things(targets, Target),
            leads=_frozen(
                {
                    name: each.leads.over(settings.alerts)
                    for name, each in targets.items()
                    if each.leads is not None
                }
            ),
            feeds=_frozen({n: each.feed for n, each in targets.items() if each.feed is not None}),
            store_url=self._store_url(settings),
            digest=_digest(self.directory, states),
            files=_frozen(dict(states)),
            span=self.span,
            notices=tuple(sorted(notices, key=lambda each: (each.path, each.line))),
            requests=requests,
            made=_frozen(self.maker.made),
        )
        order = sorted(errors, key=lambda error: (error.path, error.line, error.column))
        return Examined(configuration, tuple(order), self.settings_known)

    def _pole(self, settings: Settings) -> tuple[float, float] | None:
        """Where the pole is now, if that is asked for and known; to 0.01 arcsec, so that a load
        soon after gives the same."""
        from contactd.core.ground.pole import pole_at

        found = pole_at(self.around) if settings.planning.polar_motion else None
        return None if found is None else (round(found[0], 2), round(found[1], 2))

    def _note_pole(self, settings: Settings) -> None:
        if settings.planning.polar_motion and self._pole(settings) is None:
            text = "no table says where the pole is; left out. Install contactd[iers] anew"
            path = str(self.settings_file)
            self.notices.append(Notice(text, "planning.polar_motion", path))

    def _with_pole(
        self, settings: Settings, stations: Mapping[str, Station]
    ) -> Mapping[str, Station]:
        """The stations, turned with the pole where that is asked for."""
        pole = self._pole(settings)
        if pole is None:
            return stations
        from contactd.core.ground.pole import turned_with_pole

        return _frozen({name: turned_with_pole(each, pole) for name, each in stations.items()})

    def _span(self, around: float, earlier: Configuration | None) -> tuple[float, float]:
        """Within which recurring events are written out; as before, while that will do."""
        if earlier is not None and earlier.reaches(around):
            return earlier.span
        return around - WRITTEN_OUT_BEFORE_S, around + WRITTEN_OUT_AFTER_S

    def _settings_file(self) -> Path:
        """The settings' file; misspelt names of it are noted, for it may be absent."""
        path = self.directory / SETTINGS_FILE
        try:
            if not self.directory.is_dir():
                self.settings_known = False
                found = "a file" if self.directory.exists() else "no such folder"
                expected = f"a folder that holds {SETTINGS_FILE}, stations and targets"
                self.errors.append(InputError(expected, found, path=str(self.directory)))
                return path
            present = yaml_files(self.directory)
        except (Unreadable, OSError) as problem:
            expected = "a folder that can be read"
            self.settings_known = False
            self.errors.append(InputError(expected, str(problem), path=str(self.directory)))
            return path
        for other in present:
            if other != path and nearest(other.stem, ["contactd"]) is not None:
                self.settings_known = False
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

    def _note_nothing_watched(self) -> None:
        """Say that no target is here, and which folder may be misnamed."""
        text = f"holds no target's file in {TARGETS_FOLDER}/: nothing is watched"
        if self.directory.is_dir():
            folders = sorted(each.name for each in self.directory.iterdir() if each.is_dir())
            near = nearest(TARGETS_FOLDER, [name for name in folders if name != TARGETS_FOLDER])
            text += f"; is {near}/ meant to be {TARGETS_FOLDER}/?" if near else ""
        self.notices.append(Notice(text, "", str(self.directory)))

    def _settings(self, path: Path) -> Settings:
        if not path.exists():
            self.maker.reader.states[path] = FileState()
            kept = self._kept_settings(path)
            if kept is not None:
                expected = "the settings; those last valid stay in force (an empty file: defaults)"
                self.errors.append(InputError(expected, "no such file", path=str(path)))
            return kept or Settings()
        document = self.maker.document(path)
        settings = document.validated(Settings) if document is not None else None
        if document is None or settings is None or document.errors:
            self.settings_known = False
        if document is not None and settings is not None:
            self._check_secrets(document, settings)
            if settings.station_time is not None:
                where, asked = ("station_time", "requests"), settings.station_time.requests
                self.station_names = station_names(document, where, asked)
        if document is not None:
            self.errors += bounded(document)
        if document is None or document.errors:
            settings = self._kept_settings(path) or settings
        return settings or Settings()

    def _kept_settings(self, path: Path) -> Settings | None:
        """The last valid settings, if the service has kept any."""
        try:
            data = Reader().read(self.kept / SETTINGS_FILE, MOST_BYTES)
            kept = read_document(path, data).validated(Settings)
        except (Unreadable, InputError):
            return None
        if kept is not None:
            self.settings_known = self.directory.is_dir()
        return kept

    def _check_secrets(self, document: Document, settings: Settings) -> None:
        """Secrets are read where they are used; here only whether they can be."""
        named: list[tuple[Location, str | None]] = [
            (("store", "password_file"), settings.store.password_file),
            (("http", "tokens_file"), settings.http.tokens_file),
        ]
        named += [
            (("channels", index, key), name)
            for index, channel in enumerate(settings.channels)
            for key, name in channel.files
        ]
        links, heartbeat = settings.acknowledgement.links, settings.heartbeat
        if links is not None:
            named.append((("acknowledgement", "links", "secret_file"), links.secret_file))
        if heartbeat is not None:
            named.append((("heartbeat", "ca_file"), heartbeat.ca_file))
        for location, name in named:
            if name is not None:
                self._check_secret(document, location, name)
        if any(error.key == "store.password_file" for error in document.errors):
            self.settings_known = False

    def _check_secret(self, document: Document, location: Location, name: str) -> None:
        path = document.path.parent / name
        access = access_of(path)
        try:
            data = self.maker.reader.read(path, MOST_SECRET_BYTES)
        except Unreadable as problem:
            who = f" ({access})" if access else ""
            document.note(location, "a file that can be read", f"{name}, which is {problem}{who}")
            return
        if not data.strip():
            document.note(location, "a file with the secret in it", f"{name}, which is empty")
        if access is not None and access.others_read:
            text = f"others on this machine can read {name} ({access}); run chmod 600 {name}"
            self.notices.append(document.mention(location).notice(text))

    def _named(self, made: list[Made | None]) -> dict[str, Made]:
        """By name; a name that is taken already is an error."""
        known: dict[str, Made] = {}
        for each in made:
            if each is None:
                continue
            if each.thing.name in known:
                other = known[each.thing.name].named
                what = "station" if isinstance(each.thing, Station) else "target"
                place = f"{other.path}:{other.line}:{other.column}"
                expected = f"a name that no other {what} has: it stands in {place} already"
                self.errors.append(each.named.error(expected))
                continue
            known[each.thing.name] = each
        return known

    def _check_services(self, stations: dict[str, Made], targets: dict[str, Made]) -> None:
        """Needs must name services that there are; a target that does not is taken out."""
        offered = {
            service
            for each in stations.values()
            if isinstance(each.thing, Station)
            for service in each.thing.services
        }
        known = sorted(offered | set(SERVICES))
        for name, each in list(targets.items()):
            for need in each.needs:
                if need.word not in known:
                    expected = unknown(need.word, known, "a service of some station")
                    self.errors.append(need.error(expected))
                    targets.pop(name, None)
                elif need.word not in offered:
                    self.notices.append(need.notice("no station offers this service"))

    def _requests(
        self, settings: Settings, stations: dict[str, Made], targets: dict[str, Made]
    ) -> Mapping[str, tuple[Request, ...]]:
        """What each target asks of stations, or the settings ask for it; nothing without them."""
        named = [*self.station_names, *(n for each in targets.values() for n in each.station_names)]
        for name in named:
            if name.word not in stations:
                expected = unknown(name.word, sorted(stations), "the name of a station")
                self.errors.append(name.error(expected))
        rules = settings.station_time
        if rules is None:
            for each in targets.values():
                if each.requests:
                    text = "asks for station time, but contactd.yaml has no station_time"
                    self.notices.append(each.named.notice(f"{text}: every contact is ours"))
            return _frozen({})
        return _frozen(
            {
                name: each.requests
                or tuple(asked.request(name) for asked in rules.requests)
                or (Request(name),)
                for name, each in targets.items()
            }
        )

    def _check_links(self, stations: dict[str, Made], targets: dict[str, Made]) -> None:
        """Links that services need should be some target's."""
        known = {
            link.name
            for each in targets.values()
            if isinstance(each.thing, Target)
            for link in each.thing.links
        }
        for each in stations.values():
            for link in each.links:
                if targets and link.word not in known:
                    self.notices.append(
                        link.notice("no target has a link of this name: no link is looked at")
                    )

    def _store_url(self, settings: Settings) -> str:
        url, password_file = settings.store.url, settings.store.password_file
        if url is not None and password_file is not None:
            path = quote(str((self.directory / password_file).absolute()))
            return f"{url}{'&' if '?' in url else '?'}passfile={path}"
        if url is not None:
            return url
        return f"sqlite:///{(self.kept.parent / LEDGER_FILE).absolute()}"


def state_folder(directory: Path) -> Path:
    """Where the ledger lies unless the settings, or whoever runs the service, say otherwise.

    Beside a configuration in ``/etc`` lies no state: commands at a deployed machine's shell must
    find the service's ledger, in ``/var/lib``, and not begin another one.

    Source: Filesystem Hierarchy Standard 3.0, sections 3.7 and 5.8.
    """
    if directory.parent == Path("/etc"):
        return Path("/var/lib") / directory.name
    return directory.parent / "var"


def _frozen(content: dict[Key, Value]) -> Mapping[Key, Value]:
    return MappingProxyType(content)


def _things(made: dict[str, Made], kind: type[Value]) -> Mapping[str, Value]:
    return _frozen({n: each.thing for n, each in made.items() if isinstance(each.thing, kind)})


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
