"""How well an orbit is known, in words: how much, and where that figure comes from."""

from __future__ import annotations

from contactd.core.orbit.orbit_error import OrbitError, Origin
from contactd.mission.timetext import NO_EARLIER, rounded


def plus_minus(seconds: float) -> str:
    """``± 4.6 s``, never less than it is."""
    return f"± {rounded(seconds, NO_EARLIER, 0.1):.1f} s"


def probability_text(probability: float) -> str | None:
    """``84 %`` that a contact happens, never 0 or 100; None where that goes without saying."""
    if probability >= 0.999:
        return None
    if probability < 0.001:
        return "< 0.1 %"
    digits = 0 if 0.01 <= probability < 0.99 else 1
    return f"{100.0 * probability:.{digits}f} %"


def orbit_error_text(error: OrbitError, along_s: float) -> str:
    """``orbit error ± 4.6 s along track, assumed for perigees of 450 to 550 km``."""
    if error.is_exact:
        return "orbit called exact"
    return f"orbit error {plus_minus(along_s)} along track, {origin_text(error)}"


def origin_text(error: OrbitError) -> str:
    """Where the figures come from, with what they rest on."""
    match error.origin:
        case Origin.STATED:
            return "stated"
        case Origin.COVARIANCE:
            return f"from {error.basis}"
        case Origin.LEARNED:
            return f"learned from {error.basis}"
        case Origin.ASSUMED:
            return f"assumed for {error.basis}"
        case Origin.EXACT:
            return "called exact"
