"""Orbits: element sets and ephemerides, their formats, propagation, frames, Sun and shadow."""

from contactd.core.orbit.omm import format_omm, parse_omm
from contactd.core.orbit.tle import format_tle, parse_tle

__all__ = ["format_omm", "format_tle", "parse_omm", "parse_tle"]
