"""Tracks of configured targets, and complaints about those that have none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contactd.faces.cli.output import complain, tell
from contactd.faces.cli.times import length

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.orbit.track import Track
    from contactd.core.planning import Target


class Tracks:
    """Makes tracks; what is wrong with a target is a line on standard error."""

    def __init__(self, configuration: Configuration, now: float) -> None:
        self.configuration = configuration
        self.now = now

    def of(self, target: Target, start: float, end: float) -> Track | None:
        """The target's track for a span (instants, s), or None after a complaint."""
        from contactd.core.errors import PropagationError
        from contactd.core.orbit.sgp4_track import Sgp4Track

        elements = target.elements_for(min(max(self.now, start), end))
        if elements is None:
            complain(
                f"{target.name}: found no elements; expected a set in its file: nothing is "
                "predicted for it until it has one"
            )
            return None
        age_s = abs(elements.age_s(self.now))
        if age_s > target.stale_after_s:
            tell(
                f"caution: {target.name}: the elements are {length(age_s)} from their epoch and "
                f"stale after {length(target.stale_after_s)}: get a newer set"
            )
        try:
            return Sgp4Track(elements, target.name)
        except PropagationError as problem:
            complain(str(problem))
            return None
