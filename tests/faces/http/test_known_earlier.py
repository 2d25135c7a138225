"""The picture as known at an earlier time: what was known then, and nothing that came later."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from waiting import wait_for
from watch_room import invented

pytestmark = pytest.mark.process


def test_elements_that_came_later_move_no_contact_of_the_picture_known_before(service):
    def of_wren(**query):
        found = [each for each in service.json("/targets", **query) if each["name"] == "Wren 2"]
        return found[0] if found else None

    room = service.room
    wait_for(of_wren, "the first prediction")
    moment = datetime.now(UTC).isoformat().replace("+00:00", "Z")
    before, digest = of_wren(), service.json("/now")["configuration"]["digest"]
    later = invented(
        epoch=room.laid - 20_000, raan_deg=37.0, mean_anomaly_deg=250.0,
        mean_motion_rev_per_day=14.55,
    )  # fmt: skip
    room._write_target("Wren 2", later)
    wait_for(
        lambda: (of_wren() or before)["elements"]["epoch"] != before["elements"]["epoch"],
        "the new elements to be in force",
    )
    now = of_wren()
    assert now["next_contact"]["aos"] != before["next_contact"]["aos"]
    then = of_wren(known_at=moment)
    assert then["elements"]["epoch"] == before["elements"]["epoch"]
    assert then["next_contact"]["tca"][:19] == before["next_contact"]["tca"][:19]
    assert [each["from"][:16] for each in then["windows"][:3]] == [
        each["from"][:16] for each in before["windows"][:3]
    ]
    picture = service.json("/now", known_at=moment)
    assert picture["configuration"]["digest"] == digest
    assert service.json("/now")["configuration"]["digest"] != digest
