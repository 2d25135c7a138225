"""Handing over on the page: recorded, read back in words and by a tick, by somebody else."""

from __future__ import annotations

import pytest
from real_browser import PHONE

pytestmark = pytest.mark.process


def test_a_shift_is_read_back_on_the_page_and_not_by_whoever_hands_over(service, visit) -> None:
    operator = visit(service.base)
    page = operator.open("handover")
    operator.sign_in(service.room.operator)
    section = page.locator(".read-back")
    section.get_by_role("button", name="Hand over", exact=True).wait_for()
    service.operate("/records", {"enter": "handover", "to": "Grace Oduya"})
    section.get_by_text("Handed over by m.aldous to Grace Oduya").wait_for()
    assert section.locator("li").count() > 2
    section.get_by_label("Item 1 in your own words").fill("boom may be running")
    section.get_by_role("button", name="Read back item 1", exact=True).click()
    section.locator(".field-wrong").wait_for()
    assert (
        "m.aldous handed over. Whoever takes over" in section.locator(".field-wrong").text_content()
    )
    assert operator.violations() == []
    page.evaluate("document.querySelector('.read-back').scrollIntoView()")
    operator.picture("handover-read-back-desk")
    phone = visit(service.base, viewport=PHONE)
    phone.open("handover").locator(".read-back li").first.wait_for()
    phone.page.evaluate("document.querySelector('.read-back').scrollIntoView()")
    phone.picture("handover-read-back-phone")
    [given] = service.json("/records", kind="handover-given")
    told = service.json("/handover")
    assert told["given"]["record"] == given["number"]
    assert len(told["read_back"]) == len(given["body"]["items"])
    assert [each for each in operator.troubles if "422" not in each] == phone.troubles == []
