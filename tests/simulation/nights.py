"""One judged night: the truth unfolds, operators state it, every face is read and judged."""

from __future__ import annotations

import asyncio
import random
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

import structlog
from faces import Unreadable, read
from judge import Judge, Violation
from operators import WAYS, Operator
from room import Room
from truth import START, Truth

LOOKS = 5
EVERY_S = (600.0, 3000.0)
Say = Callable[[str], None]


def judged(seed: int, say: Say = lambda _: None) -> list[Violation]:
    """What was said in a night and is false; the same seed says it again."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(_night(seed, Path(folder), say))


async def _night(seed: int, folder: Path, say: Say) -> list[Violation]:
    truth, chance = Truth.of(seed), random.Random(f"deeds {seed}")
    operator, found, now = Operator(truth, chance), [], START
    async with Room(truth, folder).open() as room:
        for _ in range(LOOKS):
            now += round(chance.uniform(*EVERY_S))
            await room.at(now)
            for statement in operator.act(now):
                way = chance.choice(WAYS)
                say(f"t={now - START:.0f} by {way}: {statement.kind} {dict(statement.given)}")
                if not await room.state(statement, way):
                    found.append(("refused", f"{statement}: {room.complaints[-1][:300]}"))
                    return found
            await room.at(now + 1.0)
            now += 1.0
            try:
                claims = await read(room)
            except (Unreadable, AssertionError) as error:
                found.append(("unreadable", str(error)))
                continue
            found += Judge(truth, now).judge(claims)
    return found


def kinds(found: Iterable[Violation]) -> set[str]:
    """The kinds of violation."""
    return {kind for kind, _ in found}
