"""What new elements and edited files change, said once for every face."""

from __future__ import annotations

from dataclasses import replace

import pytest

from contactd.core.change import Basis, ElementsChange, Shift
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import Delay, Sequence, Step
from contactd.core.target import Target
from contactd.mission.changes import of_elements, of_files

NOON = from_text("2026-12-03T12:00:00Z")
BASIS = Basis("lantern-3.xml", NOON, "aa")
MOVED = ElementsChange("Lantern 3", NOON, BASIS, BASIS, compared=9)
STEP = Step("boom out", Delay(60.0))
LANTERN = Target("Lantern 3", sequences=(Sequence("Lantern 3", "wake-up", (STEP,)),))
HILL = Station("Quarry Hill", 1.0, 2.0)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (MOVED, "Lantern 3: new elements: no AOS could be compared."),
        (
            replace(MOVED, furthest=Shift("Quarry Hill", NOON, NOON - 31.2), vanished=1),
            "Lantern 3: new elements: AOS up to 32 s earlier, with Quarry Hill, 1 contact fewer.",
        ),
        (
            replace(MOVED, furthest=Shift("Quarry Hill", NOON, NOON + 75.0), appeared=2),
            "Lantern 3: new elements: AOS up to 1 min 15 s later, with Quarry Hill, "
            "2 contacts more.",
        ),
    ],
)
def test_new_elements_say_how_far_contacts_moved(change: ElementsChange, said: str) -> None:
    assert of_elements(change) == said


def test_edited_files_say_what_is_new_gone_and_different() -> None:
    out = replace(HILL, outages=IntervalSet([NOON], [NOON + 3600.5]), least_elevation_deg=5.0)
    other = replace(STEP, delay=Delay(90.0))
    later = replace(LANTERN, sequences=(replace(LANTERN.sequences[0], steps=(other,)),))
    moth = Target("Moth 1")
    assert of_files(
        ({"Lantern 3": LANTERN, "Moth 1": moth}, {"Lantern 3": later, "Owl 2": moth}),
        ({"Quarry Hill": HILL}, {"Quarry Hill": out}),
    ) == (
        "Target 'Moth 1' removed.",
        "Target 'Owl 2' added.",
        "Target 'Lantern 3' changed: sequence 'wake-up' (steps boom out).",
        "Station 'Quarry Hill' changed: out 2026-12-03 12:00:00Z to 13:00:01Z, least elevation.",
    )
    back = of_files(({}, {}), ({"Quarry Hill": out}, {"Quarry Hill": HILL}))
    assert back[0].startswith("Station 'Quarry Hill' changed: no longer out 2026-12-03 12:00:00Z")


def test_files_that_say_the_same_change_nothing() -> None:
    both = {"Lantern 3": LANTERN}, {"Lantern 3": LANTERN}
    assert of_files(both, ({"Quarry Hill": HILL}, {"Quarry Hill": HILL})) == ()
