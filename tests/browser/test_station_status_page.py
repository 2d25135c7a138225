"""A status stated in the form is shown by the screens that show the station."""

from __future__ import annotations

import re

import pytest
from real_browser import PHONE

pytestmark = pytest.mark.process


def test_a_status_stated_in_the_form_is_shown_at_once_and_ends_when_it_is_back(
    service, visit
) -> None:
    operator = visit(service.base)
    page = operator.open("records")
    operator.sign_in(service.room.operator)
    page.get_by_role("button", name="A station's status", exact=True).click()
    form = page.locator("dialog").last
    assert form.get_by_label("About", exact=True).count() == 0
    form.get_by_label("Station", exact=True).select_option("Brenn Head")
    form.get_by_label("Status", exact=True).select_option("out")
    form.get_by_label(re.compile("^Reason")).fill("wind over 25 m/s")
    operator.picture("station-status-form-desk")
    form.get_by_role("button", name="See what it would change").click()
    change = page.locator("dialog").last
    change.get_by_role("button", name="Record it").wait_for()
    operator.picture("station-status-change-desk")
    change.get_by_role("button", name="Record it").click()
    page.wait_for_selector("dialog", state="detached")
    page.goto(f"{service.base}/#/now")
    line = page.locator(".stations-stated li")
    line.wait_for()
    assert re.fullmatch(
        r"Brenn Head out .*Z until further notice: wind over 25 m/s \(recorded by m\.aldous\)",
        " ".join(line.text_content().split()),
    )
    assert operator.violations() == []
    page.evaluate("scrollTo(0, 0)")
    operator.picture("station-status-now-desk")
    phone = visit(service.base, viewport=PHONE)
    phone.open("now").locator(".stations-stated li").wait_for()
    phone.picture("station-status-now-phone", full_page=True)
    service.operate("/records", {"enter": "station", "station": "Brenn Head", "status": "back"})
    line.wait_for(state="detached")
    assert operator.troubles == phone.troubles == []
