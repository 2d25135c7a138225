"""What whoever records an observed AOS or LOS should know of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from contactd.core.errors import ContactdError
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.learning.known import growth_of, reception_strip
from contactd.core.learning.receptions import Reception
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.mission.statements.scene import Scene
from contactd.mission.timetext import NEAREST, moment

SEARCHED_S = 3_600.0
"""An observed AOS or LOS is compared with one predicted within so much of it."""


def heard_notes(scene: Scene, station: Station, verb: str, body: Mapping[str, Any]) -> list[str]:
    """How far an observed AOS or LOS is from the predicted one, and whether it can be.

    Args:
        verb: ``aos`` or ``los``.
    """
    at = from_text(str(body["at"]))
    edge = verb.upper()
    span = (at - SEARCHED_S, at + SEARCHED_S)
    contacts = [
        each for each in scene.coverage(span).outlook.contacts if each.station == station.name
    ]
    edges = [getattr(each, verb) for each in contacts]
    near = min(edges, key=lambda each: abs(each - at), default=None)
    notes = []
    if near is None:
        notes.append(f"No {edge} with {station.name} is predicted within an hour of it.")
    else:
        late_s = at - near
        how = "later" if late_s >= 0 else "earlier"
        notes.append(
            f"{abs(late_s):.1f} s {how} than the predicted {edge}, {moment(near, NEAREST, 1)}."
        )
    if not _can_be(scene, station, at, float(body["error_s"])):
        notes.append(
            "No motion within the orbit error explains it. Check station and time; "
            "it is kept, and teaches nothing of the orbit."
        )
    return notes


def _can_be(scene: Scene, station: Station, at: float, error_s: float) -> bool:
    """Whether some motion within the orbit error explains the reception."""
    target = scene.target
    if target is None or not target.is_plain:
        return True
    elements = target.elements_for(scene.now_s)
    if elements is None:
        return True
    try:
        growth, displacement_km = growth_of(target, scene.now_s)
        heard = Reception(
            station, at, error_s, station.lowest_signal_deg, displacement_km=displacement_km
        )
        strip = reception_strip(Sgp4Track(elements), elements, heard, growth)
    except (ContactdError, ValueError):
        return True
    return strip.offsets_s is not None
