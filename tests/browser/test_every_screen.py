"""Every screen loads from the running service, says nothing wrong, and can be used by everybody."""

import pytest
from real_browser import DESK, PHONE
from watch_room import SCRIPT_NAME

pytestmark = pytest.mark.process

SCREENS = {
    "now": ".target",
    "timeline": "canvas[data-ready]",
    "sky": ".dome svg .track-line",
    "ground": ".ground-words dd",
    "align": ".plan",
    "records": ".ledger tbody tr:nth-child(3)",
    "sheets": ".sheet table",
    "handover": ".handover-items li",
}
SIZES = {"desk": DESK, "phone": PHONE}


def settle(page, screen):
    page.wait_for_selector(SCREENS[screen])
    page.wait_for_timeout(400)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("screen", SCREENS)
def test_a_screen_loads_and_asks_nothing_of_anybody_else(service, visit, screen, size):
    guest = visit(service.base, viewport=SIZES[size], has_touch=size == "phone")
    settle(guest.open(screen), screen)
    guest.picture(f"{screen}-{size}")
    assert guest.troubles == []
    assert all(address.startswith(service.base) for address in guest.requests)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("screen", SCREENS)
def test_a_screen_is_as_wide_as_the_window(service, visit, screen, size):
    guest = visit(service.base, viewport=SIZES[size])
    page = guest.open(screen)
    settle(page, screen)
    wide = page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    assert wide <= 0


@pytest.mark.parametrize("look", ["dark desk", "light desk", "dark phone"])
@pytest.mark.parametrize("screen", SCREENS)
def test_a_screen_breaks_no_rule_of_access(service, visit, screen, look):
    paper, size = look.split()
    guest = visit(service.base, viewport=SIZES[size])
    guest.choose(paper=paper)
    settle(guest.open(screen), screen)
    assert guest.violations() == []
    if paper == "light":
        guest.picture(f"{screen}-{size}-light")


def test_the_wall_view_is_larger_and_breaks_no_rule_either(service, visit):
    guest = visit(service.base, viewport={"width": 1920, "height": 1080})
    guest.choose(size="wall")
    page = guest.open("now")
    settle(page, "now")
    guest.picture("now-wall")
    assert page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 24
    assert guest.violations() == []


def test_the_documentation_of_the_interface_fetches_nothing_from_outside(service, visit):
    guest = visit(service.base)
    guest.page.goto(f"{service.base}/api/v1/docs")
    guest.page.wait_for_selector("#Contact")
    guest.picture("docs-desk")
    assert guest.violations() == []
    assert guest.troubles == []
    assert all(address.startswith(service.base) for address in guest.requests)


@pytest.mark.parametrize("screen", SCREENS)
def test_a_target_named_like_a_script_is_only_text(service, visit, screen):
    guest = visit(service.base)
    query = (
        f"{screen}?target={SCRIPT_NAME}"
        if screen in ("sky", "ground", "timeline", "sheets")
        else screen
    )
    page = guest.open(query)
    page.wait_for_timeout(1500)
    assert guest.troubles == []
    assert page.locator("img").count() == 0
    if screen in ("now", "ground", "sheets"):
        assert page.get_by_text(SCRIPT_NAME, exact=False).count() >= 1


def test_the_browser_itself_would_stop_markup_and_foreign_scripts(service, visit):
    guest = visit(service.base)
    page = guest.open("now")
    refused = page.evaluate(
        """() => {
          try { document.body.innerHTML = '<img src=x onerror=alert(1)>'; return 'taken'; }
          catch (error) { return error.name; }
        }"""
    )
    assert refused == "TypeError"
    refused = page.evaluate(
        """() => {
          try { document.createElement('p').setAttribute('onclick', 'alert(1)'); return 'taken'; }
          catch (error) { return error.name; }
        }"""
    )
    assert refused == "TypeError"
    stopped = page.evaluate(
        """async () => {
          const told = new Promise((resolve) => document.addEventListener(
            'securitypolicyviolation', (event) => resolve(event.effectiveDirective)));
          fetch('http://127.0.0.1:9/').catch(() => null);
          return told;
        }"""
    )
    assert stopped == "connect-src"


def test_a_printed_handover_has_every_section_and_no_tools(service, visit):
    guest = visit(service.base)
    page = guest.open("handover")
    settle(page, "handover")
    page.emulate_media(media="print")
    assert not page.locator(".ways").is_visible()
    assert not page.locator(".tools").is_visible()
    heads = page.locator(".handover h3").all_inner_texts()
    names = [
        "Open",
        "Decisions in the next shift",
        "Hazards, stops and doubts to read back",
        "Routine in the next shift",
        "Known",
        "Changed",
        "Decided and done",
        "Alarms of the shift",
    ]
    assert [head.rstrip("0123456789 ") for head in heads] == names
    assert page.locator(".boxes li").first.is_visible()
    guest.picture("handover-printed", full_page=True)


def test_on_paper_there_is_only_the_sheet(service, visit, tmp_path):
    guest = visit(service.base)
    page = guest.open("sheets")
    settle(page, "sheets")
    page.emulate_media(media="print")
    assert not page.locator(".ways").is_visible()
    assert not page.get_by_role("button", name="Print this").is_visible()
    assert page.locator(".sheet table").first.is_visible()
    assert page.evaluate("getComputedStyle(document.documentElement).color") == "rgb(0, 0, 0)"
    guest.picture("sheets-printed", full_page=True)
