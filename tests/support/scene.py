"""A small invented world for tests of the running service, laid around the present moment.

One satellite hangs over the longitude of one station and never moves from its sky, so that what
is in view depends on nothing but the files: steps run out seconds from now, covered by that
station or, when they ask for what no station has, by none.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml
from orbits import geostationary

from contactd.core import instants
from contactd.core.orbit.tle import format_tle

LONGITUDE_DEG = 10.0
STARTED_BEFORE_S = 3600.0
"""How long before the scene was laid its sequences were started."""


def now() -> float:
    """The present moment by the machine's clock (instant, s)."""
    return instants.from_unix(time.time())


@dataclass
class Scene:
    """The files of a configuration, written below ``folder / "config"``.

    Attributes:
        port: where the service answers.
        settings: merged into ``contactd.yaml``.
    """

    folder: Path
    port: int
    settings: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("stations", "targets"):
            (self.config / name).mkdir(parents=True, exist_ok=True)
        self.write(
            "contactd.yaml",
            {"http": {"port": self.port}, "log": {"format": "json"}, **self.settings},
        )
        self.write(
            "stations/under-point.yaml",
            {
                "name": "Under Point",
                "latitude_deg": 1.0,
                "longitude_deg": LONGITUDE_DEG,
                "altitude_m": 20,
                "least_elevation_deg": 5,
                "services": {"telemetry": {}, "command": {"least_elevation_deg": 10}},
            },
        )
        self.write(
            "stations/far-side.yaml",
            {"name": "Far Side", "latitude_deg": -1.0, "longitude_deg": LONGITUDE_DEG - 180.0},
        )

    @property
    def config(self) -> Path:
        """The folder to hand to ``--config``."""
        return self.folder / "config"

    def write(self, name: str, content: Mapping[str, Any] | str) -> Path:
        """Write one file as an editor would: complete, then in place."""
        path = self.config / name
        text = content if isinstance(content, str) else yaml.safe_dump(content, sort_keys=False)
        draft = path.with_name(f".{path.name}.draft")
        draft.write_text(text)
        draft.replace(path)
        return path

    def write_target(self, name: str, steps: Sequence[Mapping[str, Any]] = (), **more: Any) -> Path:
        """Write a target over the station, with a running sequence if there are steps."""
        laid = now()
        elements = geostationary(LONGITUDE_DEG, epoch=laid - 60.0)
        target: dict[str, Any] = {
            "name": name,
            "elements": {"tle": "\n".join(format_tle(elements))},
            **more,
        }
        if steps:
            started = instants.to_text(laid - STARTED_BEFORE_S)
            target["sequences"] = [
                {
                    "name": "wake-up",
                    "start": {"status": "observed", "at": started},
                    "steps": list(steps),
                }
            ]
        return self.write(f"targets/{name.lower().replace(' ', '-')}.yaml", target)


def step(name: str, in_s: float, service: str = "telemetry", **more: Any) -> dict[str, Any]:
    """A step that runs out ``in_s`` seconds after its target's file is written."""
    return {
        "name": name,
        "after": "start",
        "delay": f"{STARTED_BEFORE_S + in_s:g}s",
        "needs": {"service": service},
        **more,
    }
