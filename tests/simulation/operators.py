"""Operators who state what is true, within the errors that they state, by one of three ways.

Names that belong to the program's interfaces stand in the tables below and nowhere else.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

from truth import SEQUENCE, TARGET, Truth

from contactd.core import instants

KINDS = ("reading", "power-loss", "hold", "resume", "sent", "stopped", "start", "attempt",
         "setting", "missed")  # fmt: skip
"""What is stated: the subcommand of ``contactd record``, ``enter`` of the body of
``POST /api/v1/records``, and the key in a rehearsal script."""
COMMAND_KEY = "command"

ARGUMENTS = {"sent": (COMMAND_KEY,), "missed": ("station",), "setting": ("step", "setting")}
"""What the command line takes as an argument, after target and sequence."""
WAYS = ("command line", "HTTP")


@dataclass(frozen=True)
class Statement:
    """What is stated: one of ``KINDS``, and its particulars as options of the command line."""

    kind: str
    given: tuple[tuple[str, str], ...] = ()

    def arguments(self) -> list[str]:
        """Of the command line."""
        made = ["record", self.kind, TARGET]
        if self.kind != "missed":
            made.append(SEQUENCE)
        arguments = ARGUMENTS.get(self.kind, ())
        made += [value for name, value in self.given if name in arguments]
        for name, value in self.given:
            if name not in arguments:
                made += [f"--{name.replace('_', '-')}", value]
        return [*made, "--by", "Ada Quill"]

    def body(self) -> dict[str, Any]:
        """Of the request."""
        made = {"enter": self.kind, "target": TARGET, **dict(self.given)}
        return made if self.kind == "missed" else {**made, "sequence": SEQUENCE}


def text(at: float) -> str:
    """A moment as people write it: to the millisecond."""
    return instants.to_text(at, 3)


class Operator:
    """Sees what there is to see at a moment, and makes things happen; then says so."""

    def __init__(self, truth: Truth, chance: random.Random) -> None:
        self.truth = truth
        self.chance = chance

    def act(self, now: float) -> list[Statement]:
        """One thing that happens and what is stated of it, all by ``now``."""
        deeds = [self.read, self.read, self.lose_power, self.hold, self.send_and_lose, self.stop,
                 self.miss, self.see_start]  # fmt: skip
        return self.chance.choice(deeds)(now)

    def read(self, now: float) -> list[Statement]:
        """A countdown is read off a display that shows whole units."""
        running = [
            (stage.name, left)
            for stage in self.truth.stages
            if stage.after == ("start",)
            and (left := self.truth.remaining_s(stage.name, now - 1.0)) is not None
        ]
        if not running or self.truth.resets:
            return []
        name, left = self.chance.choice(running)
        unit_s, word = self.chance.choice([(1.0, "s"), (60.0, "min")])
        shown = round(left / unit_s)
        if shown <= 0:
            return []
        given = [("step", name), ("at", text(now - 1.0)), ("remaining", f"{shown}{word}")]
        # A millisecond for the time of the reading, which is written with three decimals.
        given += [("error", f"{unit_s / 2}s"), ("at_error", "0.001s")]
        return [Statement("reading", tuple(given))]

    def lose_power(self, now: float) -> list[Statement]:
        """All clocks begin anew."""
        if self.truth.holds or len(self.truth.resets) > 1:
            return []
        at, error_s = now - 60.0, self.chance.choice([2.0, 45.0])
        self.truth.resets.append(at)
        told = at + error_s * self.chance.uniform(-0.999, 0.999)
        given = (("at", text(told)), ("give_or_take", f"{error_s}s"))
        return [Statement("power-loss", given)]

    def hold(self, now: float) -> list[Statement]:
        """The countdowns stand still, and later run on."""
        holds = self.truth.holds
        if self.truth.started is None:
            return []
        if holds and holds[-1][1] is None:
            holds[-1] = (holds[-1][0], now - 5.0)
            kind = "resume"
        elif not holds and not self.truth.resets:
            holds.append((now - 5.0, None))
            kind = "hold"
        else:
            return []
        return [Statement(kind, (("at", text(now - 5.0)), ("give_or_take", "1s")))]

    def send_and_lose(self, now: float) -> list[Statement]:
        """A stop is sent and never arrives: only the sending is stated."""
        stoppable = [each.name for each in self.truth.stages if each.lead_s is not None]
        if not stoppable:
            return []
        given = (("step", stoppable[0]), ("at", text(now - 1)), (COMMAND_KEY, "stop"))
        return [Statement("sent", given)]

    def stop(self, now: float) -> list[Statement]:
        """A stop takes effect, and the satellite says so."""
        stoppable = [
            each.name
            for each in self.truth.stages
            if each.lead_s is not None and (self.truth.expiries(each.name) or [0])[0] > now
        ]
        if not stoppable or self.truth.started is None or self.chance.random() < 0.6:
            return []
        self.truth.stops[stoppable[-1]] = now - 1.0
        return [Statement("stopped", (("step", stoppable[-1]), ("at", text(now - 1.0))))]

    def miss(self, now: float) -> list[Statement]:
        """A station does not get the contact that goes on."""
        for site in self.truth.sites:
            for begins, ends in self.truth.windows(site, "telemetry"):
                if begins + 30 < now - 20 and now < ends - 30 and ends < now + 7200:
                    self.truth.missed.append((site.name, now - 3600, ends + 60))
                    given = [("station", site.name), ("at", text(now - 20))]
                    if self.truth.orbit == 0:  # it never sets: until the station has it again
                        given.append(("until", text(ends + 60)))
                    return [Statement("missed", tuple(given))]
        return []

    def see_start(self, now: float) -> list[Statement]:
        """Somebody finds out when it started."""
        started = self.truth.started
        if started is None or self.truth.status != "in doubt":
            return []
        told = started + self.chance.uniform(-4.99, 4.99)
        return [Statement("start", (("at", text(told)), ("give_or_take", "5s")))]
