"""``station_time``: how targets share stations, and what a target asks for."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import Field, model_validator

from contactd.config.sections import OneOrMany, Section, raise_at
from contactd.config.types import Duration, Instant, Name, duration, integer, words
from contactd.core.allocation.request import (
    LEAST_DURATION_S,
    MOST_DURATION_S,
    MOST_PRIORITY,
    Request,
)
from contactd.core.allocation.search_budget import MOST_NODES

DAY_S = 86_400.0
RESERVED = ("stop of ", "need of ")
"""How the names of those requests begin that are made of themselves."""


class RequestSection(Section):
    """Contacts that a target asks for."""

    name: Name = "contacts"
    service: Name | None = None
    priority: Annotated[int, integer(1, MOST_PRIORITY)] = 1
    least_duration_s: Annotated[float, duration(1.0, DAY_S)] = Field(
        default=LEAST_DURATION_S, alias="least_duration"
    )
    most_duration_s: Annotated[float, duration(60.0, 7 * DAY_S)] = Field(
        default=MOST_DURATION_S, alias="most_duration"
    )
    count: Annotated[int, integer(1, 10_000)] | None = None
    count_per_day: Annotated[int, integer(1, 500)] | None = None
    least_spacing_s: Duration | None = Field(default=None, alias="least_spacing")
    not_before: Instant | None = None
    deadline: Instant | None = None
    stations: OneOrMany[Name] = ()
    preferred: OneOrMany[Name] = ()
    handover_overlap_s: Duration | None = Field(default=None, alias="handover_overlap")
    stations_at_once: Annotated[int, integer(1, 4)] = 1

    @model_validator(mode="after")
    def _fits_together(self) -> RequestSection:
        if self.count is not None and self.count_per_day is not None:
            raise_at(("count_per_day",), "either count or count_per_day")
        if self.name.startswith(RESERVED):
            raise_at(("name",), "a name that does not begin with 'stop of' or 'need of'")
        said = "most_duration_s" in self.model_fields_set
        if said and self.most_duration_s < self.least_duration_s:
            raise_at(("most_duration",), "a duration of at least least_duration")
        if self._begins >= self._ends:
            raise_at(("deadline",), "a time after not_before")
        if self.handover_overlap_s is not None and self.stations_at_once > 1:
            raise_at(("handover_overlap",), "no handover_overlap beside stations_at_once")
        for index, station in enumerate(self.preferred):
            if self.stations and station not in self.stations:
                raise_at(("preferred", index), f"one of the stations: {', '.join(self.stations)}")
        return self

    @property
    def _begins(self) -> float:
        return -math.inf if self.not_before is None else self.not_before

    @property
    def _ends(self) -> float:
        return math.inf if self.deadline is None else self.deadline

    def request(self, target: str) -> Request:
        """The request of a target; by a deadline, one contact is meant unless more are asked."""
        count, per_day = self.count, False
        if self.count_per_day is not None:
            count, per_day = self.count_per_day, True
        elif count is None and self.deadline is not None:
            count = 1
        elif count is None:
            per_day = True
        return Request(
            target=target,
            name=self.name,
            service=self.service or "",
            priority=self.priority,
            least_duration_s=self.least_duration_s,
            most_duration_s=self.most_duration_s,
            count=count,
            per_day=per_day,
            least_spacing_s=self.least_spacing_s,
            not_before=self._begins,
            deadline=self._ends,
            stations=self.stations,
            preferred=self.preferred,
            handover_overlap_s=self.handover_overlap_s,
            stations_at_once=self.stations_at_once,
        )


Requests = OneOrMany[RequestSection]


def names_differ(requests: tuple[RequestSection, ...], key: str) -> None:
    """Refuse two requests of one name.

    Raises:
        PydanticCustomError: at the second.
    """
    seen: set[str] = set()
    for index, request in enumerate(requests):
        if request.name in seen:
            expected = "a name that no other request of the target has"
            raise_at((key, index, "name"), expected, f"{request.name!r} again")
        seen.add(request.name)


class StationTime(Section):
    """How targets share stations. Without this section, every contact is ours.

    ``requests`` is what each target asks for whose own file does not say; by default, every
    contact of at least a minute, with a priority of 1.
    """

    frozen_s: Annotated[float, duration(0.0, 30 * DAY_S)] = Field(default=7200.0, alias="frozen")
    solver: Annotated[str, words(["highs", "cp-sat"])] = "highs"
    search_nodes: Annotated[int, integer(1, 1_000_000)] = MOST_NODES
    requests: Requests = ()

    @model_validator(mode="after")
    def _names_differ(self) -> StationTime:
        names_differ(self.requests, "requests")
        return self
