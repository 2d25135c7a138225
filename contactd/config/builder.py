"""Builds what one document says: reads what it refers to, and notes what is wrong where."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from contactd.config.configuration import Notice
from contactd.config.error_locations import Document, Location, describe
from contactd.config.files import Unreadable
from contactd.config.orbit_section import ElementsSection
from contactd.config.sections import SpanOrCalendar
from contactd.config.station_file import StationFile
from contactd.core.errors import InputError
from contactd.core.ground.station import AntennaLimits, ServiceTerms, Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.elements import ElementSet

MOST_ELEMENT_FILE_BYTES = 8 << 20
MOST_CALENDAR_BYTES = 1 << 20
MOST_DEFINITION_BYTES = 256 << 10
"""Of a file and of those that it refers to, the ledger keeps no more than this."""


class Source(Protocol):
    """Where files that a document refers to are read from."""

    def read(self, path: Path, most_bytes: int) -> bytes:
        """The file's bytes; :class:`Unreadable` if it cannot be read."""
        ...


@dataclass(slots=True)
class Builder:
    """Builds from one document, reads what it refers to, and notes what is wrong.

    Attributes:
        span: (start, end) instants within which recurring events are written out.
        depends_on_span: whether there are any such.
        referred: the files that were read, or looked for.
        contents: what stands in those that are no larger than ``MOST_DEFINITION_BYTES``.
    """

    document: Document
    reader: Source
    span: tuple[float, float]
    notices: list[Notice] = field(default_factory=list)
    referred: list[Path] = field(default_factory=list)
    depends_on_span: bool = False
    contents: dict[Path, bytes] = field(default_factory=dict)

    def notice(self, location: Location, text: str) -> None:
        """Note what is allowed, but may not be meant."""
        error = self.document.error(location, text)
        self.notices.append(Notice(text, error.key, error.path, error.line, error.column))

    def station(self, file: StationFile) -> Station:
        """The station of a station's file."""
        east = file.longitude_deg
        outages, reasons = self.outages(file.outages)
        return Station(
            name=file.name,
            latitude_deg=file.latitude_deg,
            longitude_deg=east if east <= 180 else east - 360,
            altitude_m=file.altitude_m,
            least_elevation_deg=file.least_elevation_deg,
            mask=_mask(file.mask),
            services={
                name: ServiceTerms(
                    terms.least_elevation_deg, terms.acquisition_s, terms.guard_s, terms.link or ""
                )
                for name, terms in file.services.items()
            },
            outages=outages,
            outage_reasons=reasons,
            refraction=file.refraction,
            antenna=AntennaLimits(
                file.antenna.highest_elevation_deg,
                file.antenna.azimuth_rate_deg_s,
                file.antenna.elevation_rate_deg_s,
                file.antenna.half_beam_deg,
            ),
            sun_exclusion_deg=file.sun_exclusion_deg,
            setup_s=file.setup_s,
            teardown_s=file.teardown_s,
            signal_horizon_deg=file.signal_horizon_deg,
        )

    def spans(self, listed: tuple[SpanOrCalendar, ...], location: Location) -> IntervalSet:
        """All spans of a list, with those of the calendars that it names."""
        return IntervalSet.of((start, end) for start, end, _ in self._stated(listed, location))

    def outages(
        self, listed: tuple[SpanOrCalendar, ...]
    ) -> tuple[IntervalSet, tuple[tuple[float, float, str], ...]]:
        """When a station is out, and the reasons that are stated: (from, to, why) of each."""
        stated = self._stated(listed, ("outages",))
        return (
            IntervalSet.of((start, end) for start, end, _ in stated),
            tuple(sorted(each for each in stated if each[2])),
        )

    def _stated(
        self, listed: tuple[SpanOrCalendar, ...], location: Location
    ) -> list[tuple[float, float, str]]:
        found = [
            (each.start, each.end, each.why)
            for each in listed
            if each.start is not None and each.end is not None
        ]
        for index, each in enumerate(listed):
            if each.ics is not None:
                self.depends_on_span = True
                where = (*location, index, "ics")
                found += self._from_file(each.ics, where, MOST_CALENDAR_BYTES, self._calendar) or []
        return found

    def _calendar(self, data: bytes) -> list[tuple[float, float, str]]:
        from contactd.core.ground.outages import calendar_reasons

        start, end = self.span
        return [
            (max(start, begins), min(end, ends), why)
            for begins, ends, why in calendar_reasons(data, start, end)
            if begins < end and ends > start
        ]

    def _from_file(
        self, name: str, location: Location, most_bytes: int, parse: Callable[[bytes], Any]
    ) -> Any:
        """What a parser makes of a file that is named in the document; None with errors noted."""
        path = self.document.path.parent / name
        self.referred.append(path)
        try:
            data = self.reader.read(path, most_bytes)
        except Unreadable as problem:
            expected = "a file that can be read, named relative to this one"
            shown = describe(self.document.node(location))
            self.document.note(location, expected, f"{shown}, which is {problem}")
            return None
        if len(data) <= MOST_DEFINITION_BYTES:
            self.contents[path] = data
        try:
            return parse(data)
        except InputError as error:
            at = self.document.mention(location)
            place = f"{at.path}:{at.line}:{at.column}: {at.key}"
            self.document.errors.append(
                InputError(
                    f"{error.expected} (the file is named in {place})",
                    error.found,
                    error.key,
                    str(path),
                    error.line or 1,
                    error.column,
                )
            )
            return None

    def elements(self, section: ElementsSection) -> tuple[tuple[ElementSet, ...], str]:
        """Element sets that the document gives, and where they came from, for people."""
        sets: list[ElementSet] = []
        sources: list[str] = []
        for key, listed in (("omm", section.omm), ("tle", section.tle)):
            for index, text in enumerate(listed):
                found, source = self.message(text, ("elements", key, index), _parser(key))
                sets += found or ()
                sources.append(source)
        if sets:
            return self._of_one_object(sets, section), ", ".join(dict.fromkeys(sources))
        return (), section.url or ", ".join(sources)

    def message(
        self, text: str, location: Location, parse: Callable[[bytes], Any]
    ) -> tuple[Any, str]:
        """What a parser makes of a message that stands in the document or in a file that it names,
        and where it came from, for people; None with errors noted."""
        if "\n" in text.strip():
            return self._inline(text, location, parse), "the target's file"
        return self._from_file(text, location, MOST_ELEMENT_FILE_BYTES, parse), text

    def _inline(self, text: str, location: Location, parse: Callable[[bytes], Any]) -> Any:
        """What a parser makes of a text in the document; None with errors noted."""
        try:
            return parse(text.encode())
        except InputError as error:
            node = self.document.node(location)
            placed = self.document.error(location, error.expected, error.found)
            placed.key += f", {error.key}" if error.key else ""
            if node.block and error.line:
                placed.line = node.line + error.line
                placed.column = self.document.indent(node) + max(error.column, 1)
            self.document.errors.append(placed)
            return None

    def _of_one_object(
        self, sets: list[ElementSet], section: ElementsSection
    ) -> tuple[ElementSet, ...]:
        """The sets of the one object that is meant."""
        numbers = sorted({each.catalogue_number for each in sets})
        listed = ", ".join(str(number) for number in numbers[:5]) + (", …" if numbers[5:] else "")
        wanted = section.catalogue_number
        if wanted is not None:
            kept = tuple(each for each in sets if each.catalogue_number == wanted)
            if not kept:
                expected = f"a catalogue number that the elements have: {listed}"
                self.document.note(("elements", "catalogue_number"), expected)
            return kept
        if len(numbers) > 1:
            key = "omm" if section.omm else "tle"
            expected = "sets of one object, or catalogue_number beside it to say which is meant"
            self.document.note(("elements", key), expected, f"sets of {listed}")
        return tuple(sets)


def _mask(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    """Points of azimuths below 360°: north once, and first."""
    north = {elevation for azimuth, elevation in points if azimuth % 360 == 0}
    rest = tuple(point for point in points if point[0] % 360 != 0)
    return (*((0.0, elevation) for elevation in north), *rest)


def _parser(key: str) -> Callable[[bytes], tuple[ElementSet, ...]]:
    if key == "tle":
        from contactd.core.orbit.tle import parse_tle

        return parse_tle
    from contactd.core.orbit.omm import parse_omm

    return parse_omm
