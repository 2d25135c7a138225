"""Of all that may be known of an orbit's error, what counts."""

from __future__ import annotations

from contactd.core.orbit.assumed_error import (
    Shape,
    assumed_error,
    assumed_of_state,
    assumed_of_table,
    completed,
    shape_of_elements,
    shape_of_state,
)
from contactd.core.orbit.covariance import error_of_covariances
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.ephemeris import EphemerisTrack
from contactd.core.orbit.orbit_error import OrbitError, Origin
from contactd.core.orbit.states import StateVector


def known_error(
    motion: ElementSet | EphemerisTrack | StateVector,
    sets: int,
    stated: OrbitError | None = None,
    learned: OrbitError | None = None,
    *,
    lit: bool = False,
) -> OrbitError:
    """An orbit's error: stated, from covariance, learned, or assumed for its class.

    Args:
        motion: what predictions rest on.
        sets: how many different element sets are known of the object.
        lit: whether radiation pressure acts where a state is propagated.
    """
    if stated is not None and stated.origin is not Origin.STATED:
        return stated  # it was found before, for other processes, or is called exact
    if stated is not None:
        return completed(stated, _shape_of(motion, sets))
    if isinstance(motion, EphemerisTrack):
        if motion.covariances:
            epoch = float(motion.segments[0].instants[0])
            return error_of_covariances(motion.covariances, _shape_of(motion, sets), epoch)
        return assumed_of_table(_shape_of(motion, sets))
    if isinstance(motion, StateVector):
        if motion.covariance is not None:
            return error_of_covariances((motion.covariance,), _shape_of(motion, sets), motion.epoch)
        return assumed_of_state(_shape_of(motion, sets), lit=lit)
    return learned or assumed_error(_shape_of(motion, sets))


def _shape_of(motion: ElementSet | EphemerisTrack | StateVector, sets: int) -> Shape:
    if isinstance(motion, EphemerisTrack):
        first = motion.segments[0]
        place, speed = first.position_km[0].tolist(), first.velocity_km_s[0].tolist()
        return shape_of_state(tuple(place), tuple(speed))
    if isinstance(motion, StateVector):
        return shape_of_state(motion.position_km, motion.velocity_km_s)
    return shape_of_elements(motion, sets)
