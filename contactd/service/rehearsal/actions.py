"""What a script's events do to the stage and to the running daemon."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

from contactd.alerts.standing import standing
from contactd.config.rehearsal import Event, statement
from contactd.core.errors import InputError
from contactd.core.sequences.known import SequenceKnowledge
from contactd.mission.actions import Acknowledge
from contactd.mission.actions import record_of as action_record
from contactd.mission.statements import confirmation, following, record_of, scene_of
from contactd.service.daemon import Daemon
from contactd.service.paced_clock import PacedClock
from contactd.service.rehearsal.sandbox import StagedChannels, StagedFiles


@dataclass
class Stage:
    """Everything that an event may touch; ``threads`` is where what takes long is done."""

    daemon: Daemon
    clock: PacedClock
    files: StagedFiles
    channels: StagedChannels
    threads: Executor | None = None

    async def let_happen(self, event: Event) -> str:
        """Do it, and say in words what was done."""
        kind = event.what[0]
        if kind == "say":
            return await _say(self, event)
        return await _DO[kind](self, getattr(event, kind))


async def _say(stage: Stage, event: Event) -> str:
    assert event.say is not None
    state, now = stage.daemon.state, stage.clock.now()
    said = statement(event.say, now)
    scene = scene_of(
        said.target,
        said.sequence,
        targets=state.targets,
        stations=state.stations,
        knowledge=lambda *names: state.knowledge.sequences.get(names, SequenceKnowledge()),
        missed=lambda name: state.knowledge.missed_contacts.get(name, ()),
        observations=lambda name: state.knowledge.observations.get(name, ()),
        adopt_corrections=state.configuration.settings.elements.adopt_corrections,
        author=event.by,
        now_s=now,
        handover=state.knowledge.handover,
        outlooks=lambda: state.outlooks.values(),
    )
    # It may predict: the daemon's own loop must not wait for that.
    loop = asyncio.get_running_loop()
    record = await loop.run_in_executor(stage.threads, record_of, said, scene)
    follow = await loop.run_in_executor(stage.threads, following, record, scene)
    stored, *_ = await stage.daemon.commit([record, *follow])
    return " ".join(filter(None, (confirmation(stored), stored.body.get("text"))))


async def _station_out(stage: Stage, given: Any) -> str:
    now = stage.clock.now()
    if given.station not in stage.daemon.state.configuration.stations:
        raise InputError("a station of the configuration", given.station, "events")
    stage.files.take_out(given.station, now, now + given.lasts_s)
    return f"{given.station} is out for {given.lasts_s:g} s"


async def _elements(stage: Stage, given: Any) -> str:
    late_s = given.late_s - given.early_s
    stage.files.renew_elements(given.target, late_s, stage.clock.now())
    return f"new elements of {given.target}, on which it runs {late_s:+g} s later"


async def _clock(stage: Stage, given: Any) -> str:
    step_s = given.ahead_s - given.back_s
    stage.clock.step(step_s)
    stage.clock.suspend(given.sleeps_s)
    if given.sleeps_s:
        return f"the machine slept for {given.sleeps_s:g} s"
    return f"the clock was set by {step_s:+g} s"


async def _channel(stage: Stage, given: Any) -> str:
    stage.channels.set_mood(given.name, given.mood)
    return f"the channel {given.name} is {given.mood}"


async def _acknowledge(stage: Stage, given: Any) -> str:
    now = stage.clock.now()
    waiting = [each for each in stage.daemon.snapshot().alerts if each.kind == given.alert]
    stand = standing(stage.daemon.state.alerts, now)
    for alert in waiting:
        made = action_record(Acknowledge(alert.identity), stand, given.by, now)
        await stage.daemon.commit([made])
    return f"{given.by} acknowledged {len(waiting)} of {given.alert}"


async def _jump(stage: Stage, seconds: float) -> str:
    stage.clock.jump(seconds)
    return f"time jumped ahead by {seconds:g} s"


async def _pause(stage: Stage, _given: bool) -> str:
    stage.clock.go(0.0)
    return "time stands still until somebody lets it go on"


_DO: dict[str, Callable[[Stage, Any], Awaitable[str]]] = {
    "station_out": _station_out,
    "elements": _elements,
    "clock": _clock,
    "channel": _channel,
    "acknowledge": _acknowledge,
    "jump_s": _jump,
    "pause": _pause,
}
