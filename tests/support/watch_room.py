"""An invented watch room, laid around the present moment: targets at every stage of waking up.

Its files are what the page is looked at and tested over: a sequence that runs and will be covered,
one that runs out unseen and is dangerous, one in doubt, one that is only planned, targets that do
nothing but pass over, and one whose name would like to be a script.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml
from orbits import geostationary, invented
from scene import now

from contactd.core import instants
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.tle import format_tle
from contactd.faces.tokens import Role, new_token

SCRIPT_NAME = "<img src=x onerror=alert(1)>"
STATIONS: tuple[tuple[str, float, float], ...] = (
    ("Brenn Head", 58.4, -4.2),
    ("Kestrel Point", -33.9, 25.6),
    ("Saltmarsh", 36.1, -115.3),
    ("Tern Island", -17.6, 177.4),
    ("Hollow Fell", 69.3, 18.9),
    ("Quarry Reach", 13.1, 77.6),
    ("Gannet Rock", -51.7, -57.9),
    ("Long Shoal", 21.3, -157.8),
)

HILLS = [[0, 5], [40, 12], [80, 4], [200, 3], [250, 16], [300, 6]]


@dataclass
class WatchRoom:
    """The files of a watch room below ``folder / "config"``.

    Attributes:
        passing: how many further targets only pass over.
        stations: how many stations there are.
        masks: whether they have hills around them.
    """

    folder: Path
    port: int
    passing: int = 2
    stations: int = 5
    masks: bool = True
    settings: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("stations", "targets"):
            (self.config / name).mkdir(parents=True, exist_ok=True)
        self.laid = now()
        self.viewer, viewer = new_token("visitor", Role.VIEWER)
        self.operator, operator = new_token("m.aldous", Role.OPERATOR)
        (self.config / "tokens").write_text(f"{viewer.line()}\n{operator.line()}\n")
        self._write(
            "contactd.yaml",
            {
                "http": {"port": self.port, "tokens_file": "tokens"},
                "log": {"format": "json"},
                **self.settings,
            },
        )
        for index in range(self.stations):
            self._station(index)
        self._lantern()
        self._thistle()
        self._orrery()
        self._meadow()
        self._write_target(SCRIPT_NAME, invented(epoch=self.laid - 7200, raan_deg=200.0))
        for index in range(self.passing):
            self._passing(index)

    @property
    def config(self) -> Path:
        """The folder to hand to ``--config``."""
        return self.folder / "config"

    def text(self, after_s: float) -> str:
        """UTC text of so many seconds after the room was laid."""
        return instants.to_text(self.laid + after_s, 0)

    def _station(self, index: int) -> None:
        name, latitude, longitude = STATIONS[index % len(STATIONS)]
        turn = index // len(STATIONS)
        self._write(
            f"stations/{index:02d}.yaml",
            {
                "name": name if not turn else f"{name} {turn + 1}",
                "latitude_deg": latitude - 3.0 * turn,
                "longitude_deg": longitude + 5.0 * turn,
                "altitude_m": 40,
                "least_elevation_deg": 3,
                "mask": HILLS if self.masks else [],
                "services": {
                    "telemetry": {"acquisition": "10s"},
                    "command": {"least_elevation_deg": 10, "acquisition": "20s", "guard": "10s"},
                },
            },
        )

    def _lantern(self) -> None:
        steps = [
            _step("receiver on", "start", "4h", "telemetry"),
            _step("heaters on", "receiver on", "95min", "telemetry"),
            {
                **_step("antenna release", "heaters on", "3h 10min", "command", before="30s"),
                "hazard": "deployment",
                "keep_clear": {"before": "2min", "after": "10min"},
                "stop": {"lead": "60s", "takes_effect_in": "20s"},
            },
            {
                **_step("apogee motor", "antenna release", "9h", "command", before="1min"),
                "hazard": "motor",
                "keep_clear": {"before": "5min", "after": "30min"},
                "stop": {"lead": "60s", "takes_effect_in": "20s"},
            },
        ]
        started = {"status": "observed", "at": self.text(-3.6 * 3600), "give_or_take": "40s"}
        near = [{"from": self.text(-3600), "to": self.text(5 * 3600)}]
        self._write_target(
            "Lantern 3",
            invented(epoch=self.laid - 30_000, raan_deg=40.0),
            {"name": "wake-up", "start": started, "people_near": near, "steps": steps},
        )

    def _thistle(self) -> None:
        steps = [
            {
                **_step("boom release", "start", "26h", "telemetry"),
                "hazard": "deployment",
                "keep_clear": {"before": "10min", "after": "20min"},
                "stop": {"lead": "2min", "takes_effect_in": "10s"},
            },
            _step("beacon on", "boom release", "20min", "telemetry"),
        ]
        started = {
            "status": "in doubt",
            "not_before": self.text(-2 * 3600),
            "not_after": self.text(-3600),
        }
        self._write_target(
            "Thistle",
            invented(epoch=self.laid - 90_000, raan_deg=120.0, mean_motion_rev_per_day=15.1),
            {"name": "boom", "start": started, "steps": steps},
        )

    def _orrery(self) -> None:
        def dial(least: str, greatest: str, resolution: str, chosen: str) -> dict[str, Any]:
            setting = {"from": least, "to": greatest, "resolution": resolution, "chosen": chosen}
            return {"setting": setting}

        steps = [
            _step("receiver on", "start", dial("2h", "40h", "10min", "8h"), "telemetry"),
            {
                **_step(
                    "panel release", "receiver on", dial("1h", "20h", "10min", "2h"), "command"
                ),
                "hazard": "deployment",
                "keep_clear": {"before": "5min", "after": "15min"},
                "stop": {"lead": "60s", "takes_effect_in": "20s"},
            },
        ]
        start = {
            "status": "expected",
            "not_before": self.text(10 * 3600),
            "not_after": self.text(22 * 3600),
            "give_or_take": "30s",
        }
        self._write_target(
            "Orrery",
            invented(epoch=self.laid - 20_000, inclination_deg=51.6, mean_motion_rev_per_day=15.3),
            {
                "name": "crew start",
                "start": start,
                "people_near": [{"from": self.text(9 * 3600), "to": self.text(15 * 3600)}],
                "steps": steps,
            },
        )

    def _meadow(self) -> None:
        self._write_target("Meadow Relay", geostationary(21.0, epoch=self.laid - 50_000))

    def _passing(self, index: int) -> None:
        self._write_target(
            f"Wren {index + 1}",
            invented(
                epoch=self.laid - 40_000,
                raan_deg=(index * 37.0) % 360.0,
                mean_anomaly_deg=(index * 71.0) % 360.0,
                mean_motion_rev_per_day=14.5 + 0.05 * (index % 12),
            ),
        )

    def _write_target(
        self, name: str, elements: ElementSet, sequence: Mapping[str, Any] | None = None
    ) -> None:
        letters = "".join(each if each.isalnum() else "-" for each in name.lower())
        self._write(
            f"targets/{letters}.yaml",
            {
                "name": name,
                "elements": {
                    "tle": "\n".join(format_tle(elements)),
                    "timing_error": {"at_epoch": "0.5s", "per_day": "2s"},
                },
                "sequences": [dict(sequence)] if sequence else [],
            },
        )

    def _write(self, name: str, content: Mapping[str, Any]) -> None:
        text = yaml.safe_dump(dict(content), sort_keys=False, allow_unicode=True)
        (self.config / name).write_text(text, encoding="utf-8")


def _step(
    name: str, after: str, delay: Any, service: str, before: str = "10s", then: str = "1min"
) -> dict[str, Any]:
    return {
        "name": name,
        "after": after,
        "delay": delay,
        "needs": {"service": service, "before": before, "after": then},
    }
