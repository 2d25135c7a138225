"""``targets/*.yaml``: one satellite a file."""

from __future__ import annotations

from pydantic import Field, model_validator

from contactd.config.link_section import LinkSection
from contactd.config.orbit_section import ElementsSection, ManoeuvreSection, SpacecraftSection
from contactd.config.sections import Many, Section, raise_at
from contactd.config.sequence_section import SequenceSection
from contactd.config.settings import AlertLeads
from contactd.config.station_time import Requests, names_differ
from contactd.config.types import Name

MOST_MANOEUVRES = 6
MOST_LINKS = 20


class TargetFile(Section):
    """A satellite that is watched."""

    name: Name
    elements: ElementsSection | None = None
    spacecraft: SpacecraftSection | None = None
    manoeuvres: Many[ManoeuvreSection] = Field(default=(), max_length=MOST_MANOEUVRES)
    links: Many[LinkSection] = Field(default=(), max_length=MOST_LINKS)
    sequences: Many[SequenceSection] = ()
    alerts: AlertLeads = AlertLeads()
    station_time: Requests = ()

    @model_validator(mode="after")
    def _belong_together(self) -> TargetFile:
        for key in ("manoeuvres", "spacecraft"):
            if getattr(self, key) and self.elements is not None and self.elements.oem:
                raise_at((key,), f"no {key} beside oem: an ephemeris holds the whole motion")
        seen: set[str] = set()
        for index, link in enumerate(self.links):
            if link.name in seen:
                raise_at(("links", index, "name"), "a name that no other link has")
            seen.add(link.name)
        names_differ(self.station_time, "station_time")
        return self
