"""The handover's screen tells how many alarms demanded action, of whom."""

from __future__ import annotations

import pytest
from real_browser import PHONE

pytestmark = pytest.mark.process


def test_the_alarms_of_the_shift_are_told_for_everyone_and_each_role(service, visit) -> None:
    desk = visit(service.base)
    table = desk.open("handover").locator(".alarm-figures")
    table.wait_for()
    told = {each["role"]: each for each in service.json("/handover")["alarms"]}
    rows = table.locator("tbody tr")
    assert rows.count() == sum(1 for each in told.values() if each["alarms"] or each["standing"])
    assert rows.first.locator("td").first.text_content() == str(told["everyone"]["alarms"])
    assert desk.violations() == []
    table.scroll_into_view_if_needed()
    desk.picture("alarm-figures-desk")
    phone = visit(service.base, viewport=PHONE)
    phone.open("handover").locator(".alarm-figures").scroll_into_view_if_needed()
    phone.picture("alarm-figures-phone")
    assert desk.troubles == phone.troubles == []
