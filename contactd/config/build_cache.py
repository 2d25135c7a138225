"""What is made of one station's or target's file, and kept for as long as the file stays the same.

With a thousand targets, making all of them anew for a change in one would take seconds. So a load
may be given what an earlier one made, and makes anew only what changed: the file itself, a file
that it refers to, or a setting that it goes by.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from contactd.config.build_target import build_feed, build_target
from contactd.config.builder import MOST_ELEMENT_FILE_BYTES, Builder
from contactd.config.configuration import Made, Mention
from contactd.config.error_locations import Document, Location, bounded, read_document
from contactd.config.files import Reader, Unreadable
from contactd.config.settings import Elements
from contactd.config.station_file import StationFile
from contactd.config.station_time import RequestSection
from contactd.config.target_file import TargetFile
from contactd.config.yaml12 import MOST_BYTES
from contactd.core.errors import InputError
from contactd.core.target import Target


@dataclass(slots=True)
class Maker:
    """Makes stations and targets of their files, or notes what is wrong with them.

    Attributes:
        span: (start, end) instants within which recurring events are written out.
        earlier: what an earlier load made, by file.
        made: what this one made or took over, by file; without those that have errors.
    """

    reader: Reader
    span: tuple[float, float]
    earlier: Mapping[Path, Made]
    made: dict[Path, Made] = field(default_factory=dict)
    errors: list[InputError] = field(default_factory=list)

    def document(self, path: Path) -> Document | None:
        """A file as a document; None, with the error noted, if it cannot be read."""
        try:
            return read_document(path, self.reader.read(path, MOST_BYTES))
        except Unreadable as problem:
            expected = "a file that can be read"
            self.errors.append(InputError(expected, str(problem), path=str(path)))
        except InputError as error:
            self.errors.append(error)
        return None

    def station(self, path: Path) -> Made | None:
        """What is made of a station's file; None if it has errors."""
        kept = self._kept(path, None)
        if kept is not None:
            return kept
        document = self.document(path)
        file = document.validated(StationFile) if document is not None else None
        if document is None or file is None:
            return self._finished(document, None)
        builder = Builder(document, self.reader, self.span)
        station = builder.station(file)
        made = Made(
            station,
            document.mention(("name",)),
            self._digests(path, builder),
            links=tuple(
                document.mention(("services", name, "link"))
                for name, terms in station.services.items()
                if terms.link
            ),
        )
        return self._finished(document, self._completed(made, builder))

    def target(self, path: Path, rules: Elements) -> Made | None:
        """What is made of a target's file; None if it has errors."""
        kept = self._kept(path, rules)
        if kept is not None:
            return kept
        document = self.document(path)
        file = document.validated(TargetFile) if document is not None else None
        if document is None or file is None:
            return self._finished(document, None)
        builder = Builder(document, self.reader, self.span)
        target = build_target(builder, file, rules)
        made = Made(
            target,
            document.mention(("name",)),
            self._digests(path, builder),
            rules=rules,
            needs=(*_needs(document, target), *_services(document, file.station_time)),
            leads=file.alerts,
            feed=build_feed(file, rules),
            requests=tuple(each.request(file.name) for each in file.station_time),
            station_names=station_names(document, ("station_time",), file.station_time),
            lines=_lines(document, target),
        )
        return self._finished(document, self._completed(made, builder))

    def _kept(self, path: Path, rules: Elements | None) -> Made | None:
        """What an earlier load made, if all that it was made from is the same."""
        made = self.earlier.get(path)
        if made is None or made.rules != rules or made.span not in (None, self.span):
            return None
        if any(self._digest(each) != digest for each, digest in made.digests.items()):
            return None
        self.made[path] = made
        return made

    def _digest(self, path: Path) -> str:
        try:
            self.reader.read(path, MOST_ELEMENT_FILE_BYTES)
        except Unreadable:
            return ""
        return self.reader.states[path].digest

    def _digests(self, path: Path, builder: Builder) -> dict[Path, str]:
        return {each: self.reader.states[each].digest for each in (path, *builder.referred)}

    def _completed(self, made: Made, builder: Builder) -> Made:
        span = self.span if builder.depends_on_span else None
        return replace(
            made,
            span=span,
            notices=tuple(builder.notices),
            contents={builder.document.path: builder.document.data, **builder.contents},
        )

    def _finished(self, document: Document | None, made: Made | None) -> Made | None:
        if document is None:
            return None
        self.errors += bounded(document)
        if made is None or document.errors:
            return None
        self.made[document.path] = made
        return made


def station_names(
    document: Document, location: Location, requests: tuple[RequestSection, ...]
) -> tuple[Mention, ...]:
    """Where requests for station time name stations."""
    return tuple(
        document.mention((*location, index, key, number))
        for index, each in enumerate(requests)
        for key in ("stations", "preferred")
        for number in range(len(getattr(each, key)))
    )


def _lines(document: Document, target: Target) -> dict[str, int]:
    """Where each sequence stands, its steps, and their keys."""
    found: dict[str, int] = {}
    for index, sequence in enumerate(target.sequences):
        where: Location = ("sequences", index)
        found[sequence.name] = document.mention((*where, "name")).line
        keys = document.node(where).keys
        found.update({f"{sequence.name}/{key}": keys[key][0] for key in keys if key != "steps"})
        for number, step in enumerate(sequence.steps):
            name = f"{sequence.name}/{step.name}"
            found[name] = document.mention((*where, "steps", number, "name")).line
            keys = document.node((*where, "steps", number)).keys
            found.update({f"{name}/{key}": keys[key][0] for key in keys})
    return found


def _services(document: Document, requests: tuple[RequestSection, ...]) -> tuple[Mention, ...]:
    """Where requests for station time name a service."""
    return tuple(
        document.mention(("station_time", index, "service"))
        for index, each in enumerate(requests)
        if each.service is not None
    )


def _needs(document: Document, target: Target) -> tuple[Mention, ...]:
    """Where each step's needs name a service."""
    return tuple(
        document.mention(("sequences", index, "steps", number, "needs", count, "service"))
        for index, sequence in enumerate(target.sequences)
        for number, step in enumerate(sequence.steps)
        for count in range(len(step.needs))
    )
