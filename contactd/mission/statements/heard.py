"""What whoever records observations, or adopts what they teach, should know."""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Sequence as Several
from typing import Any

from contactd.core.errors import ContactdError
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.learning.correction import correction_body
from contactd.core.learning.known import growth_of, lesson_of, reception_strip
from contactd.core.learning.receptions import Reception
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.record import MOTION_CORRECTED, Record
from contactd.core.sequences.naming import refuse
from contactd.core.target import Target
from contactd.mission.statements.scene import Scene
from contactd.mission.timetext import NEAREST, moment

BY_SETTING = "contactd"
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


def adopted_correction(scene: Scene) -> dict[str, Any]:
    """Body of the record that adopts what observations teach of the scene's target.

    Raises:
        InputError: if there is nothing to adopt.
    """
    assert scene.target is not None
    target = scene.target.configured or scene.target
    lesson = lesson_of(target, scene.stations, scene.observations, scene.now_s)
    if lesson is None:
        refuse(
            "correcting", "adopt", "a target whose motion rests on element sets",
            f"{target.name} has no element sets to correct.",
        )  # fmt: skip
    try:
        return correction_body(lesson)
    except ValueError as problem:
        refuse("correcting", "adopt", "something that was learned", f"Nothing to adopt: {problem}.")


def correction_that_follows(
    target: Target,
    stations: Mapping[str, Station],
    observations: Several[Record],
    now_s: float,
    identity: str = "",
) -> list[Record]:
    """The record that adopts what observations teach by now; none where that is not worth it.

    Args:
        identity: of the record that it follows from.
    """
    plain = target.configured or target
    lesson = lesson_of(plain, stations, observations, now_s)
    try:
        body = {} if lesson is None else correction_body(lesson)
    except ValueError:
        return []
    if not body:
        return []
    own = f"{identity}:correction" if identity else ""
    return [Record(now_s, MOTION_CORRECTED, plain.name, BY_SETTING, body, own)]


def correction_notes(scene: Scene, body: Mapping[str, Any]) -> list[str]:
    """What an adopted correction does, and how well the motion is known with it."""
    assert scene.target is not None
    if not body["adopt"]:
        return ["Predictions rest on the elements as they are."]
    contacts = "1 contact" if body["contacts"] == 1 else f"{body['contacts']} contacts"
    side = "early" if body["offset_s"] >= 0 else "late"
    return [
        f"By {contacts} it runs {abs(body['offset_s']):.1f} s {side} ± {body['bound_s']:.1f} s "
        "(95 %). Predictions rest on that from now on."
    ]
