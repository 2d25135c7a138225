"""What is told of many targets at once: little, quickly, and whoever is left out is named."""

from __future__ import annotations

from dataclasses import replace

import pytest

from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.core.sequences.model import SequenceForecast, Start, StartStatus
from contactd.faces.http.routes import motions
from contactd.mission.documents.contacts import windows
from contactd.mission.documents.service import target_forms

DAY_S = 86_400.0


def outlook(name: str, count: int = 20) -> TargetOutlook:
    """Contacts of two stations, by turns, a thousand seconds apart."""
    contacts = [
        Contact(name, "East" if n % 2 else "West", 1e3 * n, 1e3 * n + 300, 1e3 * n + 600,
                10.0, 90.0, 170.0, 40.0, 900.0)
        for n in range(count)
    ]  # fmt: skip
    command = {
        station: Coverage(
            nominal=IntervalSet.of(
                (each.aos + 30, each.los - 30) for each in contacts if each.station == station
            )
        )
        for station in ("East", "West")
    }
    return TargetOutlook(name, (0.0, DAY_S), contacts=contacts, services={"command": command})


@pytest.mark.parametrize("instant", [-1.0, 0.0, 570.0, 571.0, 9999.0, 19_570.0, 1e9])
@pytest.mark.parametrize("most", [1, 3, 100])
def test_the_windows_ahead_are_the_first_of_all_windows_that_are_not_over(instant, most):
    known = outlook("Lantern 3")
    every = [each for each in windows(known) if each[1] > instant]
    assert windows(known, from_s=instant, most=most) == every[:most]


@pytest.mark.parametrize(("targets", "told"), [(100, 12), (101, 3)])
def test_of_many_targets_fewer_windows_are_told(targets, told):
    known = outlook("Lantern")
    outlooks = {f"Lantern {n}": replace(known, target=f"Lantern {n}") for n in range(targets)}
    found = target_forms(Snapshot(at=0.0, targets=outlooks), lambda _: {}, 0.0)
    assert {len(each["windows"]) for each in found} == {told}
    assert len(found) == targets


def test_a_strand_has_room_for_so_many_contacts_and_names_who_is_left_out(monkeypatch):
    monkeypatch.setattr(motions, "MOST_DRAWN", 50)
    start = Start(StartStatus.PENDING)
    counting = replace(
        outlook("Thistle"), forecasts=(SequenceForecast("Thistle", "boom", start, ()),)
    )
    outlooks = {each: outlook(each) for each in ("Lantern 3", "Pale Heron", "Wren 2")}
    snapshot = Snapshot(at=0.0, targets={**outlooks, "Thistle": counting})
    drawn, left_out = motions._drawn(snapshot, None)
    assert [each.target for each in drawn] == ["Thistle", "Lantern 3"]
    assert left_out == ["Pale Heron", "Wren 2"]
    (alone,), nobody = motions._drawn(snapshot, ["Wren 2"])
    assert (alone.target, nobody) == ("Wren 2", [])


def test_one_target_is_drawn_however_many_contacts_it_has(monkeypatch):
    monkeypatch.setattr(motions, "MOST_DRAWN", 5)
    drawn, _ = motions._drawn(Snapshot(at=0.0, targets={"Lantern 3": outlook("Lantern 3")}), None)
    assert len(drawn) == 1
