"""The dashboard is what its generator makes of the metrics that contactd has today."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "deploy" / "dashboard"


@pytest.fixture
def generator():
    spec = importlib.util.spec_from_file_location("generate_dashboard", FOLDER / "generate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_dashboard_in_the_tree_is_what_the_generator_makes():
    command = [sys.executable, str(FOLDER / "generate.py")]
    made = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    kept = (FOLDER / "contactd.json").read_text()
    assert made == kept, "the metrics have changed: 'python3 deploy/local generate' makes it anew"


def test_every_metric_has_a_panel_below_the_rows_laid_out_by_hand(generator):
    dashboard = json.loads((FOLDER / "contactd.json").read_text())
    start = [panel["title"] for panel in dashboard["panels"]].index("Every metric")
    shown = set()
    for panel in dashboard["panels"][start:]:
        for target in panel.get("targets", ()):
            shown |= generator.metrics_in(target["expr"])
    assert shown == set(generator.families())


def test_a_query_for_a_metric_that_does_not_exist_ends_the_generator(generator, monkeypatch):
    real = generator.families()
    del real["contactd_keep_clear"]
    monkeypatch.setattr(generator, "families", lambda: real)
    with pytest.raises(SystemExit, match="no such metric: contactd_keep_clear"):
        generator.build()


def test_no_two_panels_lie_over_each_other():
    dashboard = json.loads((FOLDER / "contactd.json").read_text())
    taken: set[tuple[int, int]] = set()
    for panel in dashboard["panels"]:
        place = panel["gridPos"]
        cells = {
            (x, y)
            for x in range(place["x"], place["x"] + place["w"])
            for y in range(place["y"], place["y"] + place["h"])
        }
        assert not cells & taken, panel["title"]
        assert place["x"] + place["w"] <= 24
        taken |= cells
