"""The configuration in force: everything the files say, checked and built."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from contactd.config.files import FileState
from contactd.config.settings import AlertLeads, Elements, Settings
from contactd.core.allocation.request import Request
from contactd.core.errors import InputError
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S
from contactd.core.target import Target

if TYPE_CHECKING:
    from contactd.core.allocation.sharing import Sharing

# Recurring events are written out from so long before to so long after the present: more than the
# horizon can reach, and a month of looking at the files only when they change.
WRITTEN_OUT_BEFORE_S, WRITTEN_OUT_AFTER_S = 60 * DAY_S, 460 * DAY_S


@dataclass(frozen=True, slots=True)
class ElementFeed:
    """Elements that are to be fetched by URL.

    Attributes:
        format: ``tle``, ``omm``, or None to tell by the text.
        catalogue_number: which object's sets to take where there are several; None for all.
    """

    target: str
    url: str
    format: str | None
    least_interval_s: float
    timeout_s: float
    size_limit_bytes: int
    catalogue_number: int | None = None


@dataclass(frozen=True, slots=True)
class Notice:
    """Something in the files that is allowed, but may not be meant."""

    text: str
    key: str
    path: str
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.path, self.line, self.column) if part)
        return f"{place}: {self.key}: {self.text}" if self.key else f"{place}: {self.text}"


@dataclass(frozen=True, slots=True)
class Mention:
    """A word and where it stands."""

    word: str
    key: str
    path: str
    line: int
    column: int

    def error(self, expected: str) -> InputError:
        """An error about the word."""
        found = f"'{self.word[:60]}'"
        return InputError(expected, found, self.key, self.path, self.line, self.column)

    def notice(self, text: str) -> Notice:
        """A notice about the word."""
        return Notice(text, self.key, self.path, self.line, self.column)


@dataclass(frozen=True, slots=True)
class Made:
    """What was made of one file, and what it was made from.

    Attributes:
        thing: the station or the target.
        named: where its name stands.
        digests: of the file and of those that it refers to.
        rules: the settings that it goes by, for a target.
        span: that recurring events were written out within; None if there are none.
        needs: the services that steps need, and where they stand.
        links: the radio links that a station's services need, and where they stand.
        leads: the target's own alert leads.
        requests: what the target asks of stations; station_names: where it names them.
        contents: what stands in the file, and in those that it refers to where they are small.
        lines: of a target's sequences, steps and their keys, by names joined with ``/``.
    """

    thing: Station | Target
    named: Mention
    digests: Mapping[Path, str]
    rules: Elements | None = None
    span: tuple[float, float] | None = None
    needs: tuple[Mention, ...] = ()
    links: tuple[Mention, ...] = ()
    notices: tuple[Notice, ...] = ()
    leads: AlertLeads | None = None
    feed: ElementFeed | None = None
    requests: tuple[Request, ...] = ()
    station_names: tuple[Mention, ...] = ()
    contents: Mapping[Path, bytes] = field(default_factory=dict)
    lines: Mapping[str, int] = field(default_factory=dict)

    @property
    def path(self) -> Path:
        """The file itself."""
        return next(iter(self.digests))


@dataclass(frozen=True, slots=True)
class Configuration:
    """Everything that the files say.

    Attributes:
        directory: the folder it was read from.
        stations, targets: by name.
        leads: each target's own alert leads, the service's where it has none.
        feeds: of the targets whose elements are to be fetched, by target.
        store_url: where the ledger is kept, the default filled in.
        digest: the same for the same files, whatever their dates.
        files: every file that was read or looked for, and what it was.
        span: (start, end) instants within which recurring outages are written out.
        notices: what is allowed, but may not be meant.
        requests: what each target asks of stations, by target; only with ``station_time``.
        made: what was made of each file, for the next load.
        wrong: the files that have errors, so that what they say is left out.
    """

    directory: Path
    settings: Settings
    stations: Mapping[str, Station]
    targets: Mapping[str, Target]
    leads: Mapping[str, AlertLeads]
    feeds: Mapping[str, ElementFeed]
    store_url: str
    digest: str
    files: Mapping[Path, FileState]
    span: tuple[float, float]
    notices: tuple[Notice, ...] = ()
    requests: Mapping[str, tuple[Request, ...]] = field(default_factory=dict)
    made: Mapping[Path, Made] = field(default_factory=dict, repr=False, compare=False)
    wrong: frozenset[str] = frozenset()

    @property
    def sharing(self) -> Sharing | None:
        """How targets share stations; None if every contact is ours."""
        rules = self.settings.station_time
        if rules is None:
            return None
        from contactd.core.allocation.sharing import Sharing

        return Sharing(self.requests, rules.frozen_s, rules.solver, rules.search_nodes)

    def reaches(self, around: float) -> bool:
        """Whether recurring events are written out far enough for a while around an instant."""
        slack_s = WRITTEN_OUT_BEFORE_S / 2
        first, last = self.span[0] + slack_s, self.span[1] - WRITTEN_OUT_AFTER_S + slack_s
        return first < around < last
