"""Invented countdowns that compete for antennas, for tests of what an allocation leaves them."""

from __future__ import annotations

import random
from dataclasses import dataclass

from allocation_cases import DAWN, station

from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation, Granted
from contactd.core.allocation.sharing import Sharing, share
from contactd.core.contacts.contact import Coverage
from contactd.core.instants import DAY_S
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import Prediction, forecast_target
from contactd.core.sequences.coverage import Conditions
from contactd.core.sequences.model import (
    Delay,
    Need,
    Sequence,
    Start,
    StartStatus,
    Step,
    StepForecast,
    StopRule,
)
from contactd.core.target import Target

SPAN = (DAWN - DAY_S, DAWN + DAY_S)
UNTIL = DAWN + 8 * 3600.0


@dataclass
class Scene:
    """Targets with one countdown each, and those that only want contacts."""

    targets: dict[str, Target]
    predictions: dict[str, Prediction]
    requests: dict[str, tuple[Request, ...]]
    setup_s: float

    @classmethod
    def of(cls, seed: int) -> Scene:
        """A crowd at one or two antennas, its times anywhere between the milliseconds."""
        dice = random.Random(seed)
        names = ["North", "South"][: dice.choice([1, 2, 2])]
        targets, predictions = {}, {}
        for number in range(dice.randint(2, 4)):
            name = f"Target {number}"
            targets[name] = Target(name, sequences=(_sequence(dice, name),))
            predictions[name] = _prediction(dice, name, names)
        for number in range(dice.randint(1, 2)):
            name = f"Rival {number}"
            targets[name] = Target(name)
            predictions[name] = _prediction(dice, name, names)
        requests = {
            name: (Request(name, priority=dice.randint(1, 9), least_duration_s=180.0),)
            for name in targets
        }
        return cls(targets, predictions, requests, dice.choice([0.0, 60.0]))

    @classmethod
    def of_two_alike(cls) -> Scene:
        """Two targets with the same countdown in the same contacts of one antenna."""
        names = ("Target 0", "Target 1")
        return cls(
            {n: Target(n, sequences=(_sequence(random.Random(5), n),)) for n in names},
            {n: _prediction(random.Random(5), n, ["North"]) for n in names},
            {},
            60.0,
        )

    @property
    def stations(self) -> list[str]:
        return sorted({n for p in self.predictions.values() for n in p.outlook.services["command"]})

    def allocation(self, **more: object) -> Allocation:
        """Who has which station when."""
        places = {name: station(name, self.setup_s) for name in self.stations}
        return share(
            Sharing(self.requests), self.targets, self.predictions, {}, places, DAWN, UNTIL, **more
        )  # type: ignore[arg-type]

    def step(self, name: str, granted: Granted | None) -> StepForecast:
        """What is said of a target's step with the antenna time that it has; None for all."""
        outlook = forecast_target(self.targets[name], self.predictions[name], {}, DAWN, granted)
        return outlook.forecasts[0].steps[0]

    @property
    def counting(self) -> list[str]:
        """Names of the targets that have a countdown."""
        return [name for name, target in self.targets.items() if target.sequences]


def _sequence(dice: random.Random, name: str) -> Sequence:
    needs = (Need("telemetry", dice.uniform(20.0, 90.0), dice.uniform(20.0, 120.0)),)
    stop = StopRule(lead_s=dice.uniform(20.0, 90.0), takes_effect_s=dice.uniform(5.0, 40.0))
    step = Step(
        "release",
        Delay(fixed_s=dice.uniform(2.0, 7.0) * 3600.0),
        needs=needs if dice.random() < 0.8 else (),
        hazard="deployment" if dice.random() < 0.5 else None,
        stop=stop,
    )
    error_s = dice.uniform(1.0, 20.0)
    start = Start(StartStatus.OBSERVED, DAWN - error_s, DAWN, DAWN + error_s)
    return Sequence(name, "wake-up", (step,), start)


def _prediction(dice: random.Random, name: str, stations: list[str]) -> Prediction:
    services: dict[str, dict[str, Coverage]] = {"telemetry": {}, "command": {}}
    for place in stations:
        spans, at = [], dice.uniform(0.0, 3000.0)
        while at < UNTIL - DAWN:
            length = dice.uniform(300.0, 900.0)
            spans.append((at, at + length))
            at += length + dice.uniform(1500.0, 4500.0)
        error_s = dice.uniform(0.3, 5.0)
        for service, cut_s in (("telemetry", 0.0), ("command", 30.0)):
            seen = IntervalSet.of((DAWN + a + cut_s, DAWN + b - cut_s) for a, b in spans)
            services[service][place] = Coverage(
                seen, seen.shrink(error_s, error_s), seen.grow(error_s, error_s)
            )
    return Prediction(TargetOutlook(name, SPAN, services=services), Conditions(), asked=SPAN)
