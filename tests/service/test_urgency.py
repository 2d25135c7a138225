"""Who cannot wait is next: targets whose countdown expires first, and what is unknown last."""

from __future__ import annotations

import asyncio
import math
from pathlib import Path

import pytest
from scene import Scene, now, step

from contactd.config import load
from contactd.service.urgency import Turns, deadline_of


def test_the_deadline_of_a_target_is_the_next_expiry_that_is_not_past(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1)
    scene.write_target("Quiet", [step("a", in_s=-60.0), step("b", in_s=900.0), step("c", 300.0)])
    scene.write_target("Passing")
    at = now()
    targets = load(scene.config, tmp_path, at).targets
    assert deadline_of(targets["Quiet"], {}, at) == pytest.approx(at + 300.0, abs=30.0)
    assert deadline_of(targets["Passing"], {}, at) == math.inf


async def test_of_those_who_wait_the_most_urgent_is_next_and_equals_in_their_order() -> None:
    turns, begun, gate = Turns(1), [], asyncio.Event()

    async def work(name: str, urgency: float) -> None:
        async with turns.turn(urgency):
            begun.append(name)
            await gate.wait()

    wanted = [("first", 9.0), ("c", math.inf), ("b", 2.0), ("d", math.inf), ("a", 1.0)]
    tasks = []
    for name, urgency in wanted:
        tasks.append(asyncio.ensure_future(work(name, urgency)))
        await asyncio.sleep(0)
    assert begun == ["first"]
    gate.set()
    await asyncio.gather(*tasks)
    assert begun == ["first", "a", "b", "c", "d"]
    assert turns.free == 1


async def test_one_who_gives_up_waiting_or_working_leaves_the_turn_to_the_next() -> None:
    turns, begun, gate = Turns(1), [], asyncio.Event()

    async def work(name: str) -> None:
        async with turns.turn(0.0):
            begun.append(name)
            await gate.wait()

    first, second, third = (asyncio.ensure_future(work(each)) for each in "abc")
    await asyncio.sleep(0)
    second.cancel()
    first.cancel()
    await asyncio.gather(first, second, return_exceptions=True)
    gate.set()
    await third
    assert begun == ["a", "c"]
    assert turns.free == 1
