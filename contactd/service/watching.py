"""What is watched while files and ledger change: the files, and what runs in spite of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import structlog

from contactd.config import Configuration
from contactd.config.definitions import definition_body, digest_of
from contactd.config.watching import Watched, Watching
from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.core.sequences.knowledge import CONCERNS_SEQUENCES
from contactd.core.target import Target
from contactd.mission.watchlist import WatchList
from contactd.records import State
from contactd.records.definitions import CONCERNS_DEFINITIONS, STATION, TARGET

AUTHOR = "contactd"
log = structlog.get_logger("contactd")
MATTERS = CONCERNS_SEQUENCES | CONCERNS_DEFINITIONS


class Watchkeeper:
    """Knows what the files say, and says what is watched because of that and of the ledger.

    Attributes:
        filed: the configuration as its files have it.
        touched: something has come to be known that may change what is watched.
    """

    def __init__(self, filed: Configuration, kept: Path) -> None:
        self.filed = filed
        self.touched = True
        self._watching = Watching(kept)
        self._wrong: frozenset[str] = filed.wrong

    def read(self, filed: Configuration) -> None:
        """Take other files."""
        self.filed, self._wrong, self.touched = filed, filed.wrong, True

    def refuse(self, wrong: frozenset[str]) -> None:
        """Learn that files are wrong; those before stay in force."""
        self._wrong, self.touched = self.filed.wrong | wrong, True

    def learn(self, news: Sequence[Record]) -> None:
        """Learn whether records may change what is watched."""
        self.touched = self.touched or any(each.kind in MATTERS for each in news)

    def look(self, known: State, now: float) -> Watched:
        """What is watched, as files and ledger have it at an instant (s)."""
        self.touched = False
        return self._watching.watched(
            self.filed, known.sequences, known.definitions, now, self._wrong
        )

    def adopted(self, known: State, now: float) -> list[Record]:
        """Records that adopt the definitions in the files that the ledger does not know yet."""
        in_force = known.definitions.adopted
        records = []
        for made in self.filed.made.values():
            name, is_target = made.thing.name, isinstance(made.thing, Target)
            things = self.filed.targets if is_target else self.filed.stations
            if name not in things:
                continue
            before = in_force.get((TARGET if is_target else STATION, name))
            same = before is not None and before.body.get("digest") == digest_of(made)
            if same and name not in known.definitions.retired:
                continue
            body = definition_body(made, self.filed.directory)
            records.append(Record(now, kinds.DEFINITION_ADOPTED, name, AUTHOR, body))
        return records


def with_elements(configuration: Configuration, known: Mapping[str, Target]) -> dict[str, Target]:
    """A configuration's targets, those that are fetched with the elements that are known."""
    return {
        name: replace(target, elements=known[name].elements)
        if name in configuration.feeds and name in known and known[name].elements
        else target
        for name, target in configuration.targets.items()
    }


def say_watched(watch_list: WatchList) -> None:
    """Tell the log what is watched as last known, and what is not watched."""
    for each in watch_list.contradictions:
        log.warning("watched as last known", subject=each.subject, differs=each.text)
    for one in watch_list.unwatched:
        log.error("not watched", name=one.name, reason=one.why)
