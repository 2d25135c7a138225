"""A stop is worth its lateness: what an allocation makes of stop-bys is little, or is said."""

from __future__ import annotations

import pytest
from countdown_scene import Scene

from contactd.core.allocation.records import allocation_body, learn_allocation
from contactd.core.allocation.request import LATENESS_S
from contactd.core.record import STATION_TIME_ALLOCATED, Record
from contactd.mission.texts.allocation import earlier_stop


@pytest.mark.parametrize("seed", range(6))
def test_a_stop_that_moves_by_more_than_a_minute_is_named_with_who_has_its_time(seed: int) -> None:
    scene = Scene.of(seed)
    made = scene.allocation()
    said = {each.target: each for each in made.earlier_stops}
    for name in scene.counting:
        free, granted = scene.step(name, None), scene.step(name, made.granted(name))
        if not free.stop_certain or free.stop_by is None:
            continue
        stop_by = granted.stop_by if granted.stop_certain else None
        moved = stop_by is None or stop_by < free.stop_by - LATENESS_S
        assert (name in said) == moved, name
        if moved:
            assert (said[name].without, said[name].stop_by) == (free.stop_by, stop_by)
            assert said[name].to, name


def test_an_earlier_stop_comes_back_from_its_record_and_is_said_with_who_has_its_time() -> None:
    made = Scene.of_two_alike().allocation()
    assert made.earlier_stops
    body = allocation_body(made, None)
    assert body is not None
    known = learn_allocation(None, Record(made.at, STATION_TIME_ALLOCATED, "x", "test", body, 1))
    assert known is not None
    first, again = made.earlier_stops[0], known.earlier_stops[0]
    assert earlier_stop(again) == earlier_stop(first)
    assert earlier_stop(first).startswith(f"{first.target}, 'release': ")
    assert "lost to " in earlier_stop(first)
    assert first.to[0].target in earlier_stop(first)
    assert allocation_body(made, known) is None
