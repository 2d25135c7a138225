"""What a change of elements did to contacts, and its form in records."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from contactd.core.change import (
    Basis,
    ElementsChange,
    Lone,
    Shift,
    change_of,
    change_record,
    recorded_change,
)
from contactd.core.contacts.comparison import compare
from contactd.core.contacts.contact import Contact
from contactd.core.record import ELEMENTS_CHANGED, Record

NOW = 849_398_437.0
BEFORE = Basis("a.xml", NOW - 86_400.0, "aa")
AFTER = Basis("https://elements.example/b", NOW - 60.0, "bb")


def contact(aos: float, los: float) -> Contact:
    return Contact("Lantern 3", "Skerry Head", aos, (aos + los) / 2, los, 0, 90, 180, 40, 900)


def test_a_change_says_what_moved_furthest_and_what_came_or_went() -> None:
    before = [contact(NOW + 100, NOW + 600), contact(NOW + 6000, NOW + 6500)]
    after = [contact(NOW + 90, NOW + 590), contact(NOW + 20_000, NOW + 20_400)]
    change = change_of("Lantern 3", NOW, BEFORE, AFTER, compare(before, after, 2900.0, NOW))
    assert (change.compared, change.vanished, change.appeared) == (1, 1, 1)
    assert change.furthest == Shift("Skerry Head", NOW + 100, NOW + 90)
    assert change.furthest.seconds == -10.0
    assert change.longest_lone == Lone("Skerry Head", NOW + 6000, 500.0, appeared=False)
    assert change.exceeds(499.0)
    assert not change.exceeds(501.0)


@pytest.mark.parametrize("bare", [True, False])
def test_a_change_survives_the_ledger(bare: bool) -> None:
    change = ElementsChange("Lantern 3", NOW, BEFORE, AFTER, 3, 1, 2)
    if not bare:
        change = replace(
            change,
            furthest=Shift("Skerry Head", NOW + 100.25, NOW + 144.5),
            longest_lone=Lone("Greywater", NOW + 5000.5, 321.125, appeared=True),
        )
    record = change_record(change, "contactd")
    assert record.kind == ELEMENTS_CHANGED
    assert record.subject == "Lantern 3"
    assert recorded_change(replace(record, body=json.loads(json.dumps(record.body)))) == change


def test_a_record_that_cannot_be_understood_is_no_change() -> None:
    assert recorded_change(Record(NOW, ELEMENTS_CHANGED, "Lantern 3", "x", {"before": 1})) is None
