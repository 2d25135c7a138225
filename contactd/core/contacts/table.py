"""A table of contacts: one array a column, for a handful of rows or for millions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import islice
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.contact import Contact
from contactd.core.errors import PropagationError
from contactd.core.intervals import IntervalSet

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int32]
BoolArray = NDArray[np.bool_]


def _floats() -> FloatArray:
    return np.zeros(0)


def _indices() -> IndexArray:
    return np.zeros(0, dtype=np.int32)


def _flags() -> BoolArray:
    return np.zeros(0, dtype=np.bool_)


_ROWS_AT_ONCE = 256


@dataclass(frozen=True, slots=True, eq=False)
class ContactTable(Sequence[Contact]):
    """Contacts in ascending order of AOS; columns of shape ``[n]``, units as in :class:`Contact`.

    A sequence of contacts like any other, which takes a fifth of the memory.

    Attributes:
        start, end: the predicted span (s).
        targets, stations: names; ``target`` and ``station`` are indices into them.
        problems: targets that could not be propagated through all of the span, and from when.
    """

    start: float
    end: float
    targets: tuple[str, ...] = ()
    stations: tuple[str, ...] = ()
    target: IndexArray = field(default_factory=_indices)
    station: IndexArray = field(default_factory=_indices)
    aos: FloatArray = field(default_factory=_floats)
    tca: FloatArray = field(default_factory=_floats)
    los: FloatArray = field(default_factory=_floats)
    aos_azimuth_deg: FloatArray = field(default_factory=_floats)
    tca_azimuth_deg: FloatArray = field(default_factory=_floats)
    los_azimuth_deg: FloatArray = field(default_factory=_floats)
    max_elevation_deg: FloatArray = field(default_factory=_floats)
    tca_range_km: FloatArray = field(default_factory=_floats)
    cut_at_start: BoolArray = field(default_factory=_flags)
    cut_at_end: BoolArray = field(default_factory=_flags)
    problems: tuple[PropagationError, ...] = ()

    def __len__(self) -> int:
        return len(self.aos)

    @overload
    def __getitem__(self, row: int) -> Contact: ...

    @overload
    def __getitem__(self, row: slice) -> ContactTable: ...

    def __getitem__(self, row: int | slice) -> Contact | ContactTable:
        if isinstance(row, slice):
            return replace(self, **{name: getattr(self, name)[row] for name in COLUMNS})
        return Contact(
            target=self.targets[self.target[row]],
            station=self.stations[self.station[row]],
            **{name: getattr(self, name)[row].item() for name in _VALUES},
        )

    def __iter__(self) -> Iterator[Contact]:
        for first in range(0, len(self), _ROWS_AT_ONCE):
            rows = slice(first, first + _ROWS_AT_ONCE)
            columns = [getattr(self, name)[rows].tolist() for name in COLUMNS]
            for target, station, *values in zip(*columns, strict=True):
                yield Contact(self.targets[target], self.stations[station], *values)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence) or len(self) != len(other):
            return NotImplemented if not isinstance(other, Sequence) else False
        return all(one == another for one, another in zip(self, other, strict=True))

    @property
    def duration_s(self) -> FloatArray:
        """Seconds from AOS to LOS."""
        return self.los - self.aos

    def rows(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> ContactTable:
        """The table with only the rows chosen by a mask or by ascending indices."""
        return replace(self, **{name: getattr(self, name)[keep] for name in COLUMNS})

    def of(self, target: str | None = None, station: str | None = None) -> ContactTable:
        """The contacts of one target, one station, or both; empty for a name it has not got."""
        keep = np.ones(len(self), dtype=np.bool_)
        if target is not None:
            keep &= self.target == _index(self.targets, target)
        if station is not None:
            keep &= self.station == _index(self.stations, station)
        return self.rows(keep)

    def intervals(self) -> IntervalSet:
        """When any contact of the table is under way."""
        return IntervalSet(self.aos, self.los)


_VALUES = (
    "aos",
    "tca",
    "los",
    "aos_azimuth_deg",
    "tca_azimuth_deg",
    "los_azimuth_deg",
    "max_elevation_deg",
    "tca_range_km",
    "cut_at_start",
    "cut_at_end",
)
COLUMNS = ("target", "station", *_VALUES)
assert set(COLUMNS) < {each.name for each in fields(ContactTable)}


def ahead_of(contacts: Sequence[Contact], instant: float) -> Sequence[Contact]:
    """The contacts that are under way at an instant (s) or begin later."""
    if isinstance(contacts, ContactTable):
        return contacts.rows(contacts.los > instant)
    return [contact for contact in contacts if contact.los > instant]


def first_from(contacts: Sequence[Contact], instant: float) -> Contact | None:
    """The first contact that is under way at an instant (s) or begins later."""
    if isinstance(contacts, ContactTable):
        ahead = contacts.los > instant
        return contacts[int(ahead.argmax())] if ahead.any() else None
    return next((contact for contact in contacts if contact.los > instant), None)


def meeting(contacts: Sequence[Contact], station: str, start: float, end: float) -> Contact | None:
    """The station's first contact that meets a span (instants, s)."""
    if isinstance(contacts, ContactTable):
        meets = (contacts.los > start) & (contacts.aos < end)
        meets &= contacts.station == _index(contacts.stations, station)
        return contacts[int(meets.argmax())] if meets.any() else None
    return next(
        (
            contact
            for contact in contacts
            if contact.station == station and contact.aos < end and start < contact.los
        ),
        None,
    )


def all_meeting(
    contacts: Sequence[Contact], start: float, end: float, most: int | None = None
) -> Iterator[Contact]:
    """The contacts that meet a span (instants, s), in order, at most so many."""
    for _, contact in islice(numbered_meeting(contacts, start, end), most):
        yield contact


def numbered_meeting(
    contacts: Sequence[Contact], start: float, end: float
) -> Iterator[tuple[int, Contact]]:
    """The contacts that meet a span (instants, s), in order, each after its row."""
    if isinstance(contacts, ContactTable):
        for row in np.flatnonzero((contacts.los > start) & (contacts.aos < end)).tolist():
            yield row, contacts[row]
        return
    for row, contact in enumerate(contacts):
        if contact.los > start and contact.aos < end:
            yield row, contact


def under_way_and_next(contacts: Sequence[Contact], instant: float) -> tuple[int, float | None]:
    """How many contacts are under way at an instant (s), and the next AOS after it, if any."""
    if isinstance(contacts, ContactTable):
        begun = int(contacts.aos.searchsorted(instant, side="right"))
        following = float(contacts.aos[begun]) if begun < len(contacts) else None
        return int(np.count_nonzero(contacts.los[:begun] > instant)), following
    ahead = ahead_of(contacts, instant)
    later = next((contact.aos for contact in ahead if contact.aos > instant), None)
    return sum(contact.aos <= instant for contact in ahead), later


def _index(names: tuple[str, ...], name: str) -> int:
    return names.index(name) if name in names else -1


def joined(tables: Sequence[ContactTable], start: float, end: float) -> ContactTable:
    """One table of several, sorted by AOS, then target, then station.

    Targets and stations of the same name are the same.
    """
    targets = _names(each.targets for each in tables)
    stations = _names(each.stations for each in tables)
    target = _renumbered(tables, "target", "targets", targets)
    station = _renumbered(tables, "station", "stations", stations)
    order = _order(_column(tables, "aos"), target, station)
    # One column after the other, so that a large table is held twice and not three times.
    return ContactTable(
        start=start,
        end=end,
        targets=targets,
        stations=stations,
        target=target[order],
        station=station[order],
        problems=tuple(problem for each in tables for problem in each.problems),
        **{name: _column(tables, name)[order] for name in _VALUES},
    )


def _column(tables: Sequence[ContactTable], name: str) -> NDArray[Any]:
    if not tables:
        return np.asarray(getattr(ContactTable(0.0, 0.0), name))
    full = [getattr(each, name) for each in tables if len(each)] or [getattr(tables[0], name)]
    return np.asarray(full[0]) if len(full) == 1 else np.concatenate(full)


def _order(aos: FloatArray, target: IndexArray, station: IndexArray) -> NDArray[np.intp]:
    """Rows by AOS, then target, then station."""
    order = np.argsort(aos)
    ascending = aos[order]
    same = ascending[1:] == ascending[:-1]
    if same.any():
        # Contacts cut by the span's start share its AOS; few others share any. Among those the
        # order that the sort gave means nothing yet.
        tied = np.flatnonzero(np.concatenate([[False], same]) | np.concatenate([same, [False]]))
        rows = order[tied]
        order[tied] = rows[np.lexsort((station[rows], target[rows], aos[rows]))]
    return order


def _names(groups: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for group in groups for name in group))


def _renumbered(
    tables: Sequence[ContactTable], column: str, names: str, all_names: tuple[str, ...]
) -> IndexArray:
    number = {name: index for index, name in enumerate(all_names)}
    parts = [np.zeros(0, dtype=np.int32)]
    for each in tables:
        lookup = np.array([number[name] for name in getattr(each, names)], dtype=np.int32)
        values = getattr(each, column)
        parts.append(lookup[values] if len(values) else values)
    return np.concatenate(parts).astype(np.int32, copy=False)
