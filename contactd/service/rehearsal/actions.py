"""What a script lets happen, done to the stage and to the running daemon."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from contactd.config.rehearsal import Happening
from contactd.core import record as kinds
from contactd.core.errors import InputError
from contactd.core.instants import to_text
from contactd.core.record import Record
from contactd.core.sequences import statements
from contactd.core.sequences.model import Sequence
from contactd.service.daemon import Daemon
from contactd.service.paced_clock import PacedClock
from contactd.service.rehearsal.sandbox import StagedChannels, StagedFiles

DIRECTOR = "rehearsal script"


@dataclass
class Stage:
    """Everything that a happening may touch."""

    daemon: Daemon
    clock: PacedClock
    files: StagedFiles
    channels: StagedChannels

    async def let_happen(self, happening: Happening) -> str:
        """Do it, and say in words what was done."""
        kind = happening.what[0]
        return await _DO[kind](self, getattr(happening, kind))

    async def enter(self, kind: str, subject: str, author: str, body: dict[str, Any]) -> None:
        """Enter a record as somebody would from the command line."""
        await self.daemon.commit([Record(self.clock.now(), kind, subject, author, body)])

    def sequence(self, target: str, name: str) -> Sequence:
        """A configured sequence.

        Raises:
            InputError: if there is none of that name.
        """
        known = self.daemon.state.targets.get(target)
        for each in known.sequences if known else ():
            if each.name == name:
                return each
        raise InputError("a target and one of its sequences", f"{target}/{name}", "happenings")


async def _start(stage: Stage, given: Any) -> str:
    sequence = stage.sequence(given.target, given.sequence)
    now = stage.clock.now()
    at = now - given.ago_s
    body = statements.start_observed(at, given.give_or_take_s, recorded_at=now)
    await stage.enter(kinds.START_OBSERVED, statements.subject_of(sequence), DIRECTOR, body)
    return f"{given.sequence} of {given.target} was started {given.ago_s:g} s ago"


async def _attempt(stage: Stage, given: Any) -> str:
    sequence = stage.sequence(given.target, given.sequence)
    now = stage.clock.now()
    earliest = now - given.ago_s
    latest = min(earliest + given.within_s, now)
    body = statements.start_attempted(earliest, latest, recorded_at=now, why=given.why)
    await stage.enter(kinds.START_ATTEMPTED, statements.subject_of(sequence), DIRECTOR, body)
    return f"{given.sequence} of {given.target} may have been started"


async def _seen(stage: Stage, given: Any) -> str:
    sequence = stage.sequence(given.target, given.sequence)
    now = stage.clock.now()
    at = now - given.ago_s
    earliest = at - given.give_or_take_s
    body = statements.step_seen(
        sequence, given.step, at, recorded_at=now, earliest=earliest, by=DIRECTOR
    )
    subject = statements.subject_of(sequence, given.step)
    await stage.enter(kinds.STEP_SEEN, subject, DIRECTOR, body)
    return f"{given.step} of {given.target} was seen"


async def _station_out(stage: Stage, given: Any) -> str:
    now = stage.clock.now()
    if given.station not in stage.daemon.state.configuration.stations:
        raise InputError("a station of the configuration", given.station, "happenings")
    stage.files.take_out(given.station, now, now + given.lasts_s)
    return f"{given.station} is out for {given.lasts_s:g} s"


async def _elements(stage: Stage, given: Any) -> str:
    late_s = given.late_s - given.early_s
    stage.files.renew_elements(given.target, late_s, stage.clock.now())
    return f"new elements of {given.target}, on which it runs {late_s:+g} s later"


async def _contact_missed(stage: Stage, given: Any) -> str:
    body = {"station": given.station, "at": to_text(stage.clock.now(), 6), "why": given.why}
    await stage.enter(kinds.CONTACT_MISSED, given.target, DIRECTOR, body)
    return f"the contact of {given.target} with {given.station} did not come about"


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
    open_alerts = [each for each in stage.daemon.snapshot().alerts if each.kind == given.alert]
    for alert in open_alerts:
        body = {"identity": alert.identity}
        await stage.enter(kinds.ALERT_ACKNOWLEDGED, alert.subject, given.by, body)
    return f"{given.by} acknowledged {len(open_alerts)} of {given.alert}"


async def _remark(stage: Stage, given: Any) -> str:
    await stage.enter(kinds.REMARK, "contactd", given.by, {"text": given.text})
    return f"{given.by} remarked: {given.text}"


async def _jump(stage: Stage, seconds: float) -> str:
    stage.clock.jump(seconds)
    return f"time jumped ahead by {seconds:g} s"


async def _pause(stage: Stage, _given: bool) -> str:
    stage.clock.go(0.0)
    return "time stands still until somebody lets it go on"


_DO: dict[str, Callable[[Stage, Any], Awaitable[str]]] = {
    "start": _start,
    "attempt": _attempt,
    "seen": _seen,
    "station_out": _station_out,
    "elements": _elements,
    "contact_missed": _contact_missed,
    "clock": _clock,
    "channel": _channel,
    "acknowledge": _acknowledge,
    "remark": _remark,
    "jump_s": _jump,
    "pause": _pause,
}
