"""The same script, live and rehearsed, gives the same alerts with the same life."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import yaml
from scene import Scene, now, step
from watch import Watch

from contactd.alerts.standing import standing
from contactd.config.rehearsal import load_script, statement
from contactd.core import instants
from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.core.sequences.known import SequenceKnowledge
from contactd.mission.actions import Acknowledge
from contactd.mission.actions import record_of as action_record
from contactd.mission.statements import record_of, scene_of
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock
from contactd.service.rehearsal import Rehearsal

LASTS_S = 720
OUT_S = 6000
SAID = {"reading": {"target": "Lantern 3", "sequence": "wake-up", "step": "boom out",
                    "at": "now", "remaining": "53min 20s", "error": "5s"}}  # fmt: skip
EVENTS: list[dict[str, Any]] = [
    {"after": "60s", "acknowledge": {"alert": "stop-by-coming", "by": "Ada Quill"}},
    {"after": "120s", "station_out": {"station": "Under Point", "lasts": f"{OUT_S}s"}},
    {"after": "240s", "acknowledge": {"alert": "no-stop-possible", "by": "Ada Quill"}},
    {"after": "400s", "say": SAID, "by": "Ada Quill"},
]
TOLD = {kinds.ALERT_RAISED, kinds.ALERT_CHANGED, kinds.ALERT_RESOLVED, kinds.ALERT_ACKNOWLEDGED}


def laid(folder: Path) -> Scene:
    """A hazardous chain whose only station drops out a while after its stop-by is known."""
    scene = Scene(folder, 1)
    hazard = {"hazard": "motor", "keep_clear": {"before": "2min", "after": "10min"}}
    stop = {"stop": {"lead": "60s", "takes_effect_in": "20s"}}
    steps = [
        step("boom out", in_s=3600, **hazard, **stop),
        step("antenna release", in_s=4200, **hazard, **stop),
    ]
    scene.write_target("Lantern 3", steps)
    return scene


def life(records: Iterable[Record]) -> list[tuple[Any, ...]]:
    """What was told, and what became of it: without names and moments of recording."""
    names: dict[str, int] = {}

    def told(body: Mapping[str, Any]) -> tuple[Any, ...]:
        what = str(body.get("what", "")).replace("REHEARSAL: ", "")
        number = names.setdefault(body["identity"], len(names))
        words = (body.get(key) for key in ("kind", "severity", "do", "changed", "why", "again"))
        return number, what, *words

    return [(each.kind, each.subject, *told(each.body)) for each in records if each.kind in TOLD]


def rehearsed(scene: Scene, begins: float) -> list[Record]:
    script = scene.folder / "script.yaml"
    content = {"title": "Same", "begins": instants.to_text(begins), "lasts": f"{LASTS_S}s"}
    script.write_text(yaml.safe_dump({**content, "config": "config", "events": EVENTS}))
    folder = scene.folder / "rehearsal"
    folder.mkdir()
    rehearsal = Rehearsal(load_script(script), folder, script.parent)
    rehearsal.play()
    with Ledger.open(rehearsal.url) as ledger:
        return list(ledger.records())


async def let_happen(watch: Watch, scene: Scene, event: Mapping[str, Any], at: float) -> None:
    """An event as it comes about in the real service: a file is edited, somebody records."""
    daemon = watch.daemon
    if "station_out" in event:
        path = scene.config / "stations" / "under-point.yaml"
        outage = {"from": instants.to_text(at, 6), "to": instants.to_text(at + OUT_S, 6)}
        station = {**yaml.safe_load(path.read_text()), "outages": [outage]}
        scene.write("stations/under-point.yaml", station)
        await daemon.reload()
    elif "acknowledge" in event:
        stand = standing(daemon.state.alerts, at)
        for alert in daemon.snapshot().alerts:
            if alert.kind == event["acknowledge"]["alert"]:
                action = Acknowledge(alert.identity)
                await daemon.commit([action_record(action, stand, "Ada Quill", at)])
    else:
        said, state = statement(event["say"], at), daemon.state
        made = scene_of(
            said.target,
            said.sequence,
            targets=state.targets,
            stations=state.configuration.stations,
            knowledge=lambda *names: state.knowledge.sequences.get(names, SequenceKnowledge()),
            missed=lambda name: state.knowledge.missed_contacts.get(name, ()),
            author="Ada Quill",
            now_s=at,
        )
        await daemon.commit([record_of(said, made)])


async def live(scene: Scene, begins: float) -> list[Record]:
    clock = SimulatedClock(begins)
    watch = Watch(scene.config, clock)
    await watch.begin()
    ahead = {int(each["after"].removesuffix("s")): each for each in EVENTS}
    for after_s in range(1, LASTS_S):
        await watch.beats(1)
        if after_s in ahead:
            await let_happen(watch, scene, ahead[after_s], clock.now())
            await watch.settle()
    records = watch.records()
    await watch.end()
    return records


def test_the_same_script_live_and_rehearsed_gives_the_same_alerts(tmp_path: Path) -> None:
    begins = float(round(now()))
    scene = laid(tmp_path)
    once = life(rehearsed(scene, begins))
    assert {each[0] for each in once} == TOLD
    assert life(asyncio.run(live(scene, begins))) == once
