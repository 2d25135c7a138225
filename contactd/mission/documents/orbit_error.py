"""Documents of how well an orbit is known."""

from __future__ import annotations

from contactd.core.orbit.orbit_error import OrbitError
from contactd.mission.documents.spans import Form


def orbit_error_form(error: OrbitError, age_s: float) -> Form:
    """How far a motion may be off, at an age (s), and where that figure comes from."""
    return {
        "source": error.origin.value,
        "basis": error.basis,
        "at_epoch_s": round(error.at_epoch_s, 3),
        "per_day_s": round(error.per_day_s, 3),
        "per_day2_s": round(error.per_day2_s, 3),
        "radial_km": round(error.radial_km, 3),
        "cross_track_km": round(error.cross_track_km, 3),
        "age_s": round(age_s),
        "along_track_s": round(error.at_age_s(age_s), 3),
    }
