"""What the lateness metric counts: from when an alert could be known, not from when it was due."""

from __future__ import annotations

from pathlib import Path

from orbits import invented
from scene import Scene
from watch import Watch

from contactd.core.instants import from_text
from contactd.core.orbit.tle import format_tle
from contactd.service.clock import SimulatedClock


async def test_what_fell_due_before_a_start_is_not_late_by_that_time(tmp_path: Path) -> None:
    clock = SimulatedClock(from_text("2026-11-25T09:00:00Z"))
    scene = Scene(tmp_path, 1, {"alerts": {"contacts": "all", "contact_lead": ["12h"]}})
    elements = invented(epoch=clock.now() - 3600.0, inclination_deg=20.0)
    tle = "\n".join(format_tle(elements))
    scene.write("targets/lantern-3.yaml", {"name": "Lantern 3", "elements": {"tle": tle}})
    watch = Watch(scene.config, clock)
    await watch.begin()
    due = [from_text(each.body["due"]) for each in watch.raised("contact-coming")]
    assert min(due) < clock.now() - 1800.0  # some were due long before the service was there
    assert watch.registry.get_sample_value("contactd_alert_lateness_seconds_count") == len(due)
    assert watch.registry.get_sample_value("contactd_alert_lateness_seconds_sum") == 0.0
    await watch.end()
