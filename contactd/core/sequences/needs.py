"""What a need asks for beside a service, as objects: when each holds, and what it is called.

A condition narrows the coverage of the service that its need asks for. Whoever deals with needs
(coverage, causes, explanations, requests for station time, non-detection) asks the conditions
themselves; a new one is a class here, a field of :class:`~contactd.core.sequences.model.Need` that
gives it, its key in the configuration, and the instants at which it holds, computed by
:mod:`contactd.core.planning` where no method of :class:`Sky` gives them yet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from contactd.core.contacts.contact import Coverage
from contactd.core.ground.station import Station


class Sky(Protocol):
    """What can be asked of a target's motion over the predicted span."""

    def above(self, station: Station, elevation_deg: float) -> Coverage:
        """When the target stands so high above a station's horizon."""
        ...

    def sunlight(self) -> Coverage:
        """When the target is in sunlight; penumbra is certainly neither light nor shadow."""
        ...

    def darkness(self, station: Station) -> Coverage:
        """When a station is in darkness: the Sun at or below −6° (civil twilight)."""
        ...


class Condition(Protocol):
    """One thing that a need asks for beside its service.

    Attributes:
        name: what it is called in data, such as ``sunlight``.
        words: what it asks for, in words, such as ``in sunlight``.
        lacking: what is the case where it does not hold, in words, such as ``in shadow``.
        of_station: whether it depends on the station.
    """

    @property
    def name(self) -> str: ...
    @property
    def words(self) -> str: ...
    @property
    def lacking(self) -> str: ...
    @property
    def of_station(self) -> bool: ...

    def holds(self, sky: Sky, station: Station | None) -> Coverage:
        """When it holds; ``station`` is None where it does not depend on one."""
        ...


@dataclass(frozen=True, slots=True)
class LeastElevation:
    """The target stands at least so high, if more is wanted than the service's own least."""

    least_deg: float
    of_station: bool = True
    name: str = "elevation"

    @property
    def words(self) -> str:
        return f"at {self.least_deg:g}° or higher"

    @property
    def lacking(self) -> str:
        return f"below {self.least_deg:g}°"

    def holds(self, sky: Sky, station: Station | None) -> Coverage:
        assert station is not None
        return sky.above(station, self.least_deg)


@dataclass(frozen=True, slots=True)
class InLight:
    """The target is in sunlight, or in the Earth's shadow."""

    sunlit: bool
    of_station: bool = False

    @property
    def name(self) -> str:
        return "sunlight" if self.sunlit else "shadow"

    @property
    def words(self) -> str:
        return "in sunlight" if self.sunlit else "in shadow"

    @property
    def lacking(self) -> str:
        return "in shadow" if self.sunlit else "in sunlight"

    def holds(self, sky: Sky, station: Station | None) -> Coverage:
        lit = sky.sunlight()
        return lit if self.sunlit else lit.complement()


@dataclass(frozen=True, slots=True)
class DarkStation:
    """The station is in darkness, for optical sighting."""

    of_station: bool = True
    name: str = "darkness"
    words: str = "from a station in darkness"
    lacking: str = "no station in darkness"

    def holds(self, sky: Sky, station: Station | None) -> Coverage:
        assert station is not None
        return sky.darkness(station)
