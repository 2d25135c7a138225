"""``targets/*.yaml``: one satellite a file."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from contactd.config.sections import Many, OneOrMany, Section, raise_at
from contactd.config.sequence_section import SequenceSection
from contactd.config.settings import AlertLeads
from contactd.config.types import (
    Duration,
    Name,
    PositiveDuration,
    TextOrFile,
    WebAddress,
    duration,
    integer,
    words,
)

DAY_S = 86_400.0
SOURCES = ("omm", "tle", "url")


class TimingErrorSection(Section):
    """How far the elements' timing along the track may be off."""

    at_epoch_s: Duration = Field(default=0.0, alias="at_epoch")
    per_day_s: Duration = Field(default=0.0, alias="per_day")


class ElementsSection(Section):
    """Where the elements come from, and how far they are believed."""

    omm: OneOrMany[TextOrFile] = ()
    tle: OneOrMany[TextOrFile] = ()
    url: WebAddress | None = None
    format: Annotated[str, words(["tle", "omm"])] | None = None
    least_interval_s: Annotated[float, duration(60.0, 30 * DAY_S)] | None = Field(
        default=None, alias="least_interval"
    )
    catalogue_number: Annotated[int, integer(0, 999_999_999, "a catalogue number")] | None = None
    timing_error: TimingErrorSection = TimingErrorSection()
    stale_after_s: PositiveDuration | None = Field(default=None, alias="stale_after")

    @model_validator(mode="after")
    def _one_source(self) -> ElementsSection:
        given = [source for source in SOURCES if getattr(self, source)]
        if not given:
            raise_at((), "one source of elements: omm, tle or url", "none")
        if len(given) > 1:
            raise_at((given[1],), f"one source of elements, and {given[0]} is given", "another")
        for key in ("format", "least_interval"):
            attribute = key if key == "format" else "least_interval_s"
            if self.url is None and getattr(self, attribute) is not None:
                raise_at((key,), f"no {key}: it belongs beside url")
        return self


class TargetFile(Section):
    """A satellite that is watched."""

    name: Name
    elements: ElementsSection | None = None
    sequences: Many[SequenceSection] = ()
    alerts: AlertLeads = AlertLeads()
