"""A contact, and the coverage that contacts give to a service."""

from __future__ import annotations

from dataclasses import dataclass, replace

from contactd.core.intervals import EMPTY, IntervalSet


@dataclass(frozen=True, slots=True)
class Contact:
    """An interval in which a target stands above a station's mask.

    Attributes:
        aos, tca, los: instants (s); TCA is the moment of highest elevation.
        aos_azimuth_deg, tca_azimuth_deg, los_azimuth_deg: from north through east, 0 to 360.
        max_elevation_deg: geometric unless the station asks for refraction.
        tca_range_km: slant range at TCA.
        cut_at_start, cut_at_end: the contact goes on beyond the predicted span.
    """

    target: str
    station: str
    aos: float
    tca: float
    los: float
    aos_azimuth_deg: float
    tca_azimuth_deg: float
    los_azimuth_deg: float
    max_elevation_deg: float
    tca_range_km: float
    cut_at_start: bool = False
    cut_at_end: bool = False

    @property
    def duration_s(self) -> float:
        """Seconds from AOS to LOS."""
        return self.los - self.aos


@dataclass(frozen=True, slots=True)
class Coverage:
    """When one service of one station can be used for one target.

    Attributes:
        nominal: as the elements say.
        certain: whatever the elements' timing error (nominal shrunk by it).
        possible: with some timing error within the bounds (nominal grown by it).
    """

    nominal: IntervalSet = EMPTY
    certain: IntervalSet = EMPTY
    possible: IntervalSet = EMPTY

    def limited(self, limit: Coverage) -> Coverage:
        """What of it holds together with another one, each as sure as the less sure of both."""
        return Coverage(
            self.nominal & limit.nominal,
            self.certain & limit.certain,
            self.possible & limit.possible,
        )

    def complement(self) -> Coverage:
        """When it does not hold: certain where it is not even possible."""
        return Coverage(
            self.nominal.complement(), self.possible.complement(), self.certain.complement()
        )

    def within(self, instants: IntervalSet) -> Coverage:
        """What of it lies within some instants, whatever the timing error."""
        return Coverage(self.nominal & instants, self.certain & instants, self.possible & instants)

    def not_counting_on(self, instants: IntervalSet) -> Coverage:
        """The same, but possible only within some instants."""
        return replace(self, certain=self.certain - instants) if instants else self
