"""Countdowns that begin anew, and stops that survive failures, against cases worked by hand.

Each case is a folder with a configuration, what was recorded, and what must come out at ``as_of``;
``how`` beside each value says by which closed form it was found. The target stands still 20 000 km
above 0° N 0° E, in view of every station without end: a station's windows are the gaps between its
outages.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
import yaml
from pydantic import TypeAdapter

from contactd.config import load
from contactd.core.instants import from_text
from contactd.core.planning import forecast_target, predict_target
from contactd.core.record import Record
from contactd.core.sequences.knowledge import learn
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import StepForecast
from contactd.mission.statements import record_of, scene_of
from contactd.mission.statements.kinds import BY_VERB, Statement

CASES = sorted((Path(__file__).parent / "data" / "timer_cases").iterdir())
HELD_STILL_KM = 26_378.137
OEM_HEAD = """\
CCSDS_OEM_VERS = 2.0
CREATION_DATE = 2026-11-24T00:00:00
ORIGINATOR = CASES
META_START
OBJECT_NAME = LANTERN 3
OBJECT_ID = 2021-304C
CENTER_NAME = EARTH
REF_FRAME = ITRF2014
TIME_SYSTEM = UTC
START_TIME = 2026-11-24T00:00:00.000
STOP_TIME = 2026-12-01T00:00:00.000
INTERPOLATION = HERMITE
INTERPOLATION_DEGREE = 7
META_STOP
"""


def held_still() -> str:
    """An ephemeris (CCSDS 502.0-B-3) of a target that stands above 0° N 0° E for a week."""
    lines = []
    for half_hour in range(7 * 48 + 1):
        day, rest = divmod(half_hour, 48)
        date = f"2026-11-{24 + day:02}" if day < 7 else "2026-12-01"
        at = f"{date}T{rest // 2:02}:{rest % 2 * 30:02}:00.000"
        lines.append(f"{at} {HELD_STILL_KM:.6f} 0 0 0 0 0")
    return OEM_HEAD + "\n".join(lines) + "\n"


def outcome(case: Path, folder: Path) -> tuple[Any, dict[tuple[str, str], StepForecast]]:
    """What is asked, and the forecast of each step at the moment that is asked for."""
    shutil.copytree(case / "config", folder / "config")
    (folder / "config" / "targets" / "hover.oem").write_text(held_still())
    configuration = load(folder / "config", around=from_text("2026-11-25T12:00:00Z"))
    (target,) = configuration.targets.values()
    known = {each.name: SequenceKnowledge() for each in target.sequences}
    number = 0
    for entry in yaml.safe_load((case / "records.yaml").read_text()):
        kind = entry.pop("kind")
        if kind == "missed":  # it takes a window, and no countdown counts from it
            continue
        number += 1
        now = from_text(entry["at"]) + 60.0
        fields = {"target": target.name, **entry}
        if fields.get("station", "") not in configuration.stations and kind == "contact":
            fields["station"] = min(configuration.stations)  # any contact counts
        if "heard" in fields:
            fields["heard"] = str(fields["heard"]).replace(" ", "-")
        statement: Statement = TypeAdapter(BY_VERB[kind]).validate_python({"enter": kind, **fields})
        scene = scene_of(
            target.name,
            statement.sequence,
            targets=configuration.targets,
            stations=configuration.stations,
            knowledge=lambda _, name: known[name],
            missed=lambda _: (),
            author="ada",
            now_s=now,
        )
        made = record_of(statement, scene)
        assert statement.sequence is not None
        record = Record(now, made.kind, made.subject, "ada", made.body, number=number)
        known[statement.sequence] = learn(known[statement.sequence], record)
        assert not known[statement.sequence].conflicts
    expected = json.loads((case / "expected.json").read_text())
    as_of, until = from_text(expected["as_of"]), from_text(expected["until"])
    stations = tuple(configuration.stations.values())
    prediction = predict_target(target, stations, (as_of - 86_400.0, until), as_of)
    outlook = forecast_target(target, prediction, known, as_of)
    found = {(each.sequence, step.step): step for each in outlook.forecasts for step in each.steps}
    return expected, found


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_comes_out_is_what_was_worked_by_hand(case: Path, tmp_path: Path) -> None:
    expected, found = outcome(case, tmp_path)
    for ask in expected["asks"]:
        step = found[ask["sequence"], ask["step"]]
        near = {"abs": ask["tolerance_s"], "rel": 0}
        if ask["ask"] == "expiry":
            assert step.earliest == pytest.approx(from_text(ask["earliest"]), **near), ask["how"]
            assert step.latest == pytest.approx(from_text(ask["latest"]), **near), ask["how"]
            parts = [(from_text(low), from_text(high)) for low, high in ask.get("parts", ())]
            assert len(step.parts) == len(parts)
            for given, wanted in zip(step.parts, parts, strict=True):
                assert given == pytest.approx(wanted, **near), ask["how"]
        elif ask["ask"] == "stop_by":
            left = step.stop_bys[ask["survive"] :][:1]
            assert [station for _, station in left] == ([ask["station"]] if ask["station"] else [])
            for at, _ in left:
                assert at == pytest.approx(from_text(ask["by"]), **near), ask["how"]
        else:
            assert ask["ask"] == "next_command_by"
            assert step.next_command is not None
            assert step.next_command.by == pytest.approx(from_text(ask["by"]), **near), ask["how"]
            assert step.next_command.station == ask["station"]
            assert step.next_command.windows_left == ask["windows_left"], ask["how"]
