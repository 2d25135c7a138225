"""The page lives: it counts, hears of change at once, and says so when it has lost the service."""

import re
import signal
import time

import pytest
from daemon import Daemon
from real_process import free_port
from watch_room import WatchRoom
from watch_service import Service

pytestmark = pytest.mark.process

LOST_WITHIN_S = 5.0


@pytest.fixture
def lonely(tmp_path):
    """A service of its own, to be killed."""
    room = WatchRoom(tmp_path, free_port(), passing=0, stations=2)
    daemon = Daemon(room)
    daemon.begin()
    service = Service(room, daemon)
    yield service
    service.http.close()
    daemon.clean_up()


def test_countdowns_count(service, visit):
    page = visit(service.base).open("now")
    figures = page.locator(".next-window .figures").first
    figures.wait_for()
    before = figures.text_content()
    page.wait_for_function(
        "before => document.querySelector('.next-window .figures').textContent !== before",
        arg=before,
    )
    assert re.fullmatch(r"(\d+ d )?(\d+:)?\d+:\d\d", figures.text_content())


def test_the_clock_is_the_services_and_in_utc(service, visit):
    page = visit(service.base, timezone_id="Asia/Kolkata").open("now")
    shown = page.locator("[data-clock]").text_content()
    said = service.http.get("/api/v1/now").headers["date"]
    hours = int(said.split()[4][:2]), int(shown[:2])
    assert shown.endswith("Z")
    assert (hours[1] - hours[0]) % 24 in (0, 1, 23)


def test_what_somebody_else_enters_appears_without_asking(service, visit):
    page = visit(service.base).open("records")
    page.wait_for_selector(".ledger tbody tr:nth-child(3)")
    service.operate("/records", {"enter": "remark", "target": "Orrery", "text": "seen by all?"})
    page.get_by_text("seen by all?").wait_for(timeout=5000)


def test_an_alert_that_is_acknowledged_elsewhere_waits_no_more(service, visit):
    page = visit(service.base).open("now")
    page.wait_for_selector(".alert.is-warning")
    identity = page.locator(".alert.is-warning").last.get_attribute("data-identity")
    service.operate(f"/alerts/{identity}/acknowledge", {"note": ""})
    page.wait_for_selector(f"[data-identity='{identity}']", state="detached", timeout=5000)


def test_a_lost_connection_shows_within_five_seconds_and_countdowns_stand_still(lonely, visit):
    guest = visit(lonely.base)
    page = guest.open("now")
    page.wait_for_selector(".next-window .figures")
    lonely.daemon.kill()
    lost_at = time.monotonic()
    page.wait_for_selector("html[data-stale] .broken", timeout=10_000)
    assert time.monotonic() - lost_at < LOST_WITHIN_S
    assert "Connection lost" in page.locator(".broken").text_content()
    assert "not connected" in page.locator(".truth").text_content()
    style = "getComputedStyle(document.querySelector('.next-window .figures')).textDecorationLine"
    assert page.evaluate(style) == "line-through"
    before = page.locator(".next-window .figures").first.text_content()
    page.wait_for_timeout(2500)
    assert page.locator(".next-window .figures").first.text_content() == before
    guest.picture("lost-desk")


def test_a_page_finds_the_service_again_by_itself(lonely, visit):
    page = visit(lonely.base).open("now")
    lonely.daemon.kill()
    page.wait_for_selector("html[data-stale] .broken")
    lonely.daemon.begin()
    page.wait_for_selector("html:not([data-stale])", timeout=20_000)
    assert page.locator(".broken").count() == 0


def test_a_service_that_hangs_is_lost_as_well(lonely, visit):
    page = visit(lonely.base).open("now")
    lonely.daemon.signal(signal.SIGSTOP)
    try:
        lost_at = time.monotonic()
        page.wait_for_selector("html[data-stale] .broken", timeout=10_000)
        assert time.monotonic() - lost_at < LOST_WITHIN_S
    finally:
        lonely.daemon.signal(signal.SIGCONT)
    page.wait_for_selector("html:not([data-stale])", timeout=20_000)
