"""A week of twelve targets under one attentive controller: few enough alarms to act on.

The budget is what IEC 62682 and ISA-18.2 call manageable: one alarm in ten minutes for each role on
average, ten at the most, hardly any time in flood, none standing for a day, none chattering.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from orbits import invented

from contactd.alerts.fold import fold_alerts
from contactd.alerts.quality import Quality, alarms_of, by_day, quality
from contactd.config import load
from contactd.core import record as kinds
from contactd.core.instants import from_text, to_text
from contactd.core.orbit.tle import format_tle
from contactd.core.record import Record
from contactd.core.sequences.model import StepStatus
from contactd.mission.bodies import start_observed, step_seen
from contactd.records import fold
from contactd.service.alert_configuration import telling_of
from contactd.service.beat import step
from contactd.service.prediction_pool import Work, predict_work
from contactd.service.state import ServiceState, adopt_knowledge, adopt_prediction

NOW = from_text("2026-12-07T06:00:00Z")
HOUR_S, DAY_S = 3600.0, 86_400.0
DAYS = 7
ACKNOWLEDGED_AFTER_S = 120.0
LOOKS_EVERY_S = 400.0
"""No more often than so: that gathers alarms, so that no peak is told too low. The service looks
every second.
"""
STATIONS = {"Cold Fell": (58.0, -6.0), "Marl Bay": (-33.0, 20.0), "Red Mesa": (34.0, -108.0),
            "Tern Atoll": (8.0, 134.0)}  # fmt: skip


def lay(folder: Path) -> None:
    """The files: four stations, twelve satellites, every third with a sequence."""
    for name in ("stations", "targets"):
        (folder / name).mkdir(parents=True)
    settings = {"horizon": {"ahead": "2d", "back": "2h"}, "planning": {"every": "20min"},
                "elements": {"stale_after": "14d"}}  # fmt: skip
    (folder / "contactd.yaml").write_text(yaml.safe_dump(settings))
    for name, (latitude, longitude) in STATIONS.items():
        station = {
            "name": name, "latitude_deg": latitude, "longitude_deg": longitude,
            "least_elevation_deg": 5,
            "services": {"telemetry": {}, "command": {"least_elevation_deg": 10}},
        }  # fmt: skip
        (folder / "stations" / f"{name.lower().replace(' ', '-')}.yaml").write_text(
            yaml.safe_dump(station)
        )
    for number in range(12):
        name = f"Petrel {number + 1}"
        elements = invented(
            mean_motion_rev_per_day=14.4 + 0.07 * number,
            inclination_deg=52.0 + 4.0 * number,
            raan_deg=30.0 * number,
            mean_anomaly_deg=77.0 * number % 360.0,
            epoch=NOW - DAY_S,
            name=name,
        )
        target: dict[str, Any] = {
            "name": name,
            "elements": {"tle": "\n".join(format_tle(elements))},
        }
        if number % 3 == 0:
            target["sequences"] = [sequence(NOW + (4 + 40 * number / 3) * HOUR_S)]
        (folder / "targets" / f"petrel-{number + 1}.yaml").write_text(yaml.safe_dump(target))


def sequence(starts: float) -> dict[str, Any]:
    return {
        "name": "wake-up",
        "start": {
            "status": "expected",
            "not_before": to_text(starts),
            "not_after": to_text(starts + HOUR_S),
            "give_or_take": "10s",
        },
        "steps": [
            {"name": "receiver on", "after": "start", "delay": "5h",
             "needs": {"service": "telemetry", "before": "10s", "after": "1min"}},
            {"name": "mast up", "after": "receiver on", "delay": "3h", "hazard": "deployment",
             "keep_clear": {"before": "2min", "after": "10min"},
             "stop": {"lead": "60s", "takes_effect_in": "20s"},
             "needs": {"service": "command", "before": "10s", "after": "1min"}},
            {"name": "beacon on", "after": "mast up", "delay": "20min",
             "needs": {"service": "telemetry", "before": "10s", "after": "1min"}},
        ],
    }  # fmt: skip


class Week:
    """The service's own beat, from moment to moment at which something may fall due."""

    def __init__(self, folder: Path) -> None:
        configuration = load(folder, folder, NOW)
        self.state = ServiceState(
            configuration, NOW, targets=configuration.targets, looking_since=NOW
        )
        self.telling = telling_of(configuration)
        self.records: list[Record] = []
        self.later: list[tuple[float, Record]] = []
        self.random = random.Random(16)

    def learn(self, news: list[Record]) -> None:
        news = [replace(each, number=len(self.records) + n) for n, each in enumerate(news, 1)]
        self.records += news
        state = self.state
        knowledge, alerts = fold(state.knowledge, news), fold_alerts(state.alerts, news)
        self.state = adopt_knowledge(state, knowledge, alerts)
        for each in news:
            if each.kind == kinds.ALERT_RAISED:
                at = each.at + ACKNOWLEDGED_AFTER_S
                body = {"identity": each.body["identity"]}
                said = Record(at, kinds.ALERT_ACKNOWLEDGED, each.subject, "Ada Quill", body)
                self.later.append((at, said))

    def controller(self, now: float) -> Iterator[Record]:
        """What is entered at a moment: starts as they come, and effects at their first look."""
        for outlook in self.state.outlooks.values():
            for forecast in outlook.forecasts:
                known = self.state.knowledge.sequences.get((forecast.target, forecast.sequence))
                start, subject = forecast.start, f"{forecast.target}/{forecast.sequence}"
                if (known is None or known.start is None) and start.nominal is not None:
                    if now >= start.nominal:
                        body = start_observed(start.nominal, 10.0, recorded_at=now)
                        yield Record(now, kinds.START_OBSERVED, subject, "Ada Quill", body)
                    continue
                target = self.state.targets[forecast.target]
                [timed] = [each for each in target.sequences if each.name == forecast.sequence]
                for each in forecast.steps:
                    look = each.confirm_at
                    if each.status is StepStatus.EXPIRED and look is not None and now >= look:
                        body = step_seen(timed, each.step, now, recorded_at=now)
                        yield Record(
                            now, kinds.STEP_SEEN, f"{subject}/{each.step}", "Ada Quill", body
                        )

    def live_until(self, end: float) -> None:
        now = NOW
        while now < end:
            due = [record for at, record in self.later if at <= now]
            self.later = [(at, record) for at, record in self.later if at > now]
            if due:
                self.learn(due)
            made = step(self.state, self.telling, now)
            self.state = made.state
            stations = tuple(self.state.configuration.stations.values())
            for target, span in made.predict:
                work = Work(target, stations, span, now, False)
                self.state = adopt_prediction(self.state, target, span, predict_work(work))
            entered = list(self.controller(now))
            if made.records or made.predict or entered:
                self.learn([*made.records, *entered])
                continue
            moments = [made.again_at, *self.state.turns.values(), now + 600.0]
            moments += [at for at, _ in self.later]
            now = max(min(moments) + 1e-3, now + LOOKS_EVERY_S)


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> list[Record]:
    """All that was recorded in the week."""
    folder = tmp_path_factory.mktemp("week") / "config"
    lay(folder)
    lived = Week(folder)
    lived.live_until(NOW + DAYS * DAY_S)
    return lived.records


def of_the_week(records: list[Record]) -> tuple[Quality, ...]:
    return quality(alarms_of(records), NOW, NOW + DAYS * DAY_S)


def test_each_role_has_no_more_alarms_than_it_can_act_on(week: list[Record]) -> None:
    _, *roles = of_the_week(week)
    assert roles
    for each in roles:
        assert each.mean_per_10min <= 1.0, each
        assert each.peak_per_10min <= 10, each
        assert each.flood_share <= 0.01, each
    for day in by_day(alarms_of(week), NOW, NOW + DAYS * DAY_S):
        if day.role != "everyone":
            assert day.mean_per_10min <= 1.0, day


def test_none_stands_for_a_day_and_none_chatters(week: list[Record]) -> None:
    everyone, *_ = of_the_week(week)
    assert everyone.standing == 0
    assert everyone.chattering == 0


def test_all_that_was_hazardous_was_told(week: list[Record]) -> None:
    raised = {(each.body["kind"], each.subject) for each in week if each.kind == kinds.ALERT_RAISED}
    for number in (1, 4, 7, 10):
        subject = f"Petrel {number}/wake-up/mast up"
        about = {kind for kind, of in raised if of == subject}
        assert about & {"keep-clear-begins"}, (subject, about)
        assert about & {"stop-by-coming", "no-stop-possible", "stop-by-passed"}, (subject, about)


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        lay(Path(name) / "config")
        told = Week(Path(name) / "config")
        told.live_until(NOW + DAYS * DAY_S)
        for figures in of_the_week(told.records):
            print(figures)
