"""Predictions made by other processes and on a Dask cluster: the same, and never not at all."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from orbits import invented
from scene import Scene
from watch import Watch

from contactd.core.contacts.table import COLUMNS
from contactd.core.instants import from_text
from contactd.core.orbit.tle import format_tle
from contactd.service.clock import SimulatedClock

NOW = from_text("2026-11-25T09:00:00Z")
NAMES = ("Lantern 3", "Pale Heron", "Thistle")

pytestmark = [pytest.mark.process, pytest.mark.filterwarnings("default")]


@pytest.fixture
def watch_over(tmp_path: Path) -> Any:
    """Makes watches over the same targets, with predictions where it is said."""

    def make(name: str, planning: dict[str, Any]) -> tuple[Watch, Scene]:
        settings = {"horizon": {"ahead": "1d", "back": "0s"}, "planning": planning}
        scene = Scene(tmp_path / name, 1, settings)
        for number, target in enumerate(NAMES):
            elements = invented(epoch=NOW - 60.0, raan_deg=40.0 * number)
            content = {"name": target, "elements": {"tle": "\n".join(format_tle(elements))}}
            scene.write(f"targets/{number}.yaml", content)
        return Watch(scene.config, SimulatedClock(NOW)), scene

    return make


def contacts(watch: Watch) -> dict[str, list[np.ndarray]]:
    """The columns of every target's contacts."""
    outlooks = watch.daemon.snapshot().targets
    assert set(outlooks) == set(NAMES)
    assert all(outlook.problem is None for outlook in outlooks.values())
    return {
        name: [np.asarray(getattr(outlook.contacts, column)) for column in COLUMNS]
        for name, outlook in outlooks.items()
    }


def same(one: Watch, other: Watch) -> bool:
    these, those = contacts(one), contacts(other)
    assert all(len(these[name][0]) > 3 for name in NAMES)
    return all(
        np.array_equal(a, b)
        for name in NAMES
        for a, b in zip(these[name], those[name], strict=True)
    )


def troubles(text: str) -> int:
    return text.count("predictions cannot be made elsewhere")


async def test_processes_predict_the_same_bits_and_one_that_dies_is_replaced(
    watch_over: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    here, _ = watch_over("here", {})
    there, _ = watch_over("there", {"where": "processes", "workers": 2})
    await here.begin()
    await there.begin()
    assert same(here, there)
    pool = there.daemon.predicting.elsewhere
    (first, *_) = pool.process_ids()
    os.kill(first, signal.SIGKILL)
    for watch in (here, there):
        await watch.beats(2, 7200.0)
    assert same(here, there)
    assert first not in pool.process_ids()
    assert troubles(capsys.readouterr().out) == 0
    for watch in (here, there):
        await watch.end()


@pytest.fixture
def cluster() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
        silence_logs=50,
    ) as started:  # fmt: skip
        yield started


async def test_a_cluster_predicts_the_same_bits_and_when_it_is_away_predictions_are_made_here(
    watch_over: Any, cluster: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    here, _ = watch_over("here", {})
    there, _ = watch_over("there", {"where": cluster.scheduler_address})
    await here.begin()
    await there.begin()
    assert same(here, there)
    assert troubles(capsys.readouterr().out) == 0
    cluster.close()
    for watch in (here, there):
        await watch.beats(2, 7200.0)
    assert same(here, there)
    assert troubles(capsys.readouterr().out) >= 1
    for watch in (here, there):
        await watch.end()


async def test_who_predicts_follows_the_files(watch_over: Any) -> None:
    watch, scene = watch_over("moving", {})
    await watch.begin()
    assert watch.daemon.predicting.elsewhere is None
    settings = {**scene.settings, "planning": {"where": "processes", "workers": 1}}
    scene.write("contactd.yaml", settings)
    await watch.daemon.reload()
    await watch.settle()
    assert watch.daemon.predicting.elsewhere.workers == 1
    await watch.beats(2, 7200.0)
    contacts(watch)
    await watch.end()
