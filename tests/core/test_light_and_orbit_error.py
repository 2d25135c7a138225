"""Light and shadow within the orbit's error: certain for every motion, possible for any."""

from __future__ import annotations

import numpy as np
import pytest

from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.orbit import parse_tle
from contactd.core.orbit.eclipse import sunlit_intervals
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.planning import predict_target
from contactd.core.sequences.model import Delay, Need, Sequence, Step
from contactd.core.sequences.needs import InLight
from contactd.core.target import Target

# An invented satellite.
LINES = """\
1 90103U 21304C   26329.00000000  .00000000  00000-0  24000-4 0  3281
2 90103  68.3000   4.8143 0011000  63.6881  70.1000 14.72000000 48280
"""
NOW = from_text("2026-11-25T06:00:00Z")
SPAN = (NOW, NOW + 43_200.0)
ERROR_S = 8.0


class Late(Sgp4Track):
    """The same orbit, run through so many seconds later."""

    def __init__(self, elements, late_s: float) -> None:
        super().__init__(elements)
        self.late_s = late_s

    def states(self, instants):
        return super().states(instants - self.late_s)


@pytest.mark.parametrize("late_s", [-8.0, -7.9, -3.0, 0.0, 2.5, 7.9, 8.0])
def test_certain_light_holds_for_every_offset_orbit_and_possible_light_misses_none(
    late_s: float,
) -> None:
    elements = parse_tle(LINES)[0]
    steps = (
        Step("boom out", Delay(60.0), needs=(Need("telemetry", sunlit=True),)),
        Step("lamp on", Delay(60.0), needs=(Need("telemetry", sunlit=False),)),
    )
    target = Target(
        "Ptarmigan 2",
        elements=(elements,),
        stated_error=OrbitError(ERROR_S),
        sequences=(Sequence("Ptarmigan 2", "boom", steps),),
    )
    station = Station("Norrsund", 62.0, 17.0, 20.0)
    conditions = predict_target(target, [station], SPAN, NOW).conditions
    lit = conditions.of(InLight(True), "")
    shadow = conditions.of(InLight(False), "")
    assert lit is not None
    assert shadow is not None
    true = sunlit_intervals(Late(elements, late_s), SPAN[0] - 60, SPAN[1] + 60)
    at = np.linspace(*SPAN, 40_000)[1:-1]
    edges = np.concatenate([true.starts, true.ends])
    edges = edges[(edges > SPAN[0]) & (edges < SPAN[1])]
    clear = np.abs(at[:, None] - edges[None, :]).min(axis=1) > 0.05
    at = at[clear]
    is_lit = true.holds(at)
    assert is_lit.any()
    assert not is_lit.all()
    assert is_lit[lit.certain.holds(at)].all()
    assert lit.possible.holds(at)[is_lit].all()
    assert not is_lit[shadow.certain.holds(at)].any()
    assert shadow.possible.holds(at)[~is_lit].all()
