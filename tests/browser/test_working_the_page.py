"""Working at the page: signing in, entering with before and after, time travel, keys alone."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from real_browser import PHONE

from contactd.core import instants

pytestmark = pytest.mark.process


def ago(**length):
    return (datetime.now(UTC) - timedelta(**length)).strftime("%Y-%m-%dT%H:%M:%SZ")


@pytest.fixture
def operator(service, visit):
    guest = visit(service.base)
    guest.open("records")
    guest.sign_in(service.room.operator)
    guest.page.get_by_role("button", name="m.aldous, operator").wait_for()
    return guest


def open_form(page, title):
    page.get_by_role("button", name=title, exact=True).click()
    return page.locator("dialog").last


def test_a_wrong_token_is_told_beside_its_field(service, visit):
    page = visit(service.base).open("now")
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.get_by_label("Token", exact=True).fill("contactd_guess")
    page.locator("dialog").get_by_role("button", name="Sign in").click()
    page.get_by_text("the token is not known here").wait_for()


def test_an_entry_shows_what_it_would_change_before_it_is_recorded(service, operator):
    page = operator.page
    before = service.json("/now")["ledger_at"]
    form = open_form(page, "A countdown was read")
    form.get_by_label("About").select_option(label="Lantern 3: wake-up")
    # The receiver's countdown of 4 h was started 3.6 h before the room was laid, within 40 s.
    read_at = service.room.laid - 60.0
    form.get_by_label(re.compile("^Step")).select_option("receiver on")
    form.get_by_label("Read at, UTC", exact=True).fill(instants.to_text(read_at, 0))
    form.get_by_label(re.compile("^Remaining")).fill(f"{0.4 * 3600 + 60:.0f}s")
    form.get_by_label(re.compile("^Error, ±")).fill("5s")
    form.get_by_role("button", name="See what it would change").click()
    change = page.locator("dialog").last
    change.get_by_role("button", name="Record it").wait_for()
    assert service.json("/records", kind="reading") == []
    assert change.locator(".before-after tr").count() >= 9
    operator.picture("entry-change-desk")
    assert operator.violations() == []
    change.get_by_role("button", name="Record it").click()
    page.wait_for_selector("dialog", state="detached")
    page.locator(".ledger").get_by_text("reading", exact=True).first.wait_for()
    [reading] = service.json("/records", kind="reading")
    assert reading["author"] == "m.aldous"
    assert reading["number"] > before


def test_what_cannot_be_is_told_beside_the_field_and_nothing_is_recorded(service, operator):
    page = operator.page
    form = open_form(page, "A timer was set")
    form.get_by_label("About").select_option(label="Orrery: crew start")
    form.get_by_label("Step", exact=True).select_option("panel release")
    form.get_by_label("Set to").fill("65min")
    form.get_by_role("button", name="See what it would change").click()
    wrong = form.locator(".field-wrong:visible")
    wrong.wait_for()
    assert "3600 s or 4200 s" in wrong.text_content()
    assert form.get_by_label(re.compile("^Set to")).get_attribute("aria-invalid") == "true"
    assert operator.violations() == []
    operator.picture("entry-wrong-desk")
    form.get_by_label("Set to").fill("")
    form.get_by_role("button", name="See what it would change").click()
    assert "Enter it." in form.locator(".field-wrong:visible").text_content()
    assert service.json("/records", kind="setting-chosen") == []


def test_a_viewer_sees_what_an_entry_would_change_and_cannot_record_it(service, visit):
    guest = visit(service.base)
    page = guest.open("records")
    guest.sign_in(service.room.viewer)
    form = open_form(page, "A remark")
    form.get_by_label("Remark", exact=True).fill("may I?")
    form.get_by_role("button", name="See what it would change").click()
    page.get_by_role("button", name="Sign in as operator to record it").wait_for()
    assert page.get_by_role("button", name="Record it", exact=True).count() == 0


def test_an_alert_is_acknowledged_by_hand(service, operator):
    page = operator.page
    page.goto(f"{service.base}/#/now")
    alert = page.locator(".alert.is-caution").first
    alert.wait_for()
    identity = alert.get_attribute("data-identity")
    alert.get_by_role("button", name="Acknowledge").click()
    page.wait_for_selector(f"[data-identity='{identity}']", state="detached")
    [record] = service.json("/records", kind="alert-acknowledged", limit=1)
    assert record["body"]["identity"] == identity
    assert record["author"] == "m.aldous"


def test_travelling_in_time_shows_what_was_known_then_and_lets_nothing_be_entered(service, visit):
    then = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    entry = {"enter": "start", "target": "Lantern 3", "sequence": "wake-up"}
    entry |= {"at": ago(hours=3, minutes=36), "give_or_take": "11s"}
    number = service.operate("/records", entry)["record"]["number"]
    guest = visit(service.base)
    page = guest.open("records")
    page.get_by_role("cell", name=str(number), exact=True).wait_for()
    page.get_by_label("Known at, UTC").fill(then)
    page.get_by_role("button", name="Go there").click()
    page.locator(".past").wait_for()
    page.wait_for_selector(".enter .quiet")
    assert "As it was known at" in page.locator(".past").text_content()
    page.get_by_role("cell", name=str(number), exact=True).wait_for(state="detached")
    guest.picture("time-travel-desk")
    assert guest.violations() == []
    page.keyboard.press("1")
    page.locator(".target").first.wait_for()
    past = (
        page.locator("article", has_text="Lantern 3").locator(".sequence-line").first.text_content()
    )
    assert page.get_by_role("button", name=re.compile("Acknowledge")).count() == 0
    page.get_by_role("button", name="Back to now").click()
    page.locator(".past").wait_for(state="detached")
    page.wait_for_function(
        "past => document.querySelector('.sequence-line').textContent !== past", arg=past
    )


def test_a_time_that_is_none_is_told_so(service, visit):
    page = visit(service.base).open("records")
    page.get_by_label("Known at, UTC").fill("yesterday")
    page.get_by_role("button", name="Go there").click()
    page.get_by_text("expected a UTC time such as").wait_for()


def test_the_settings_answer_and_the_best_option_covers_every_step(service, operator):
    page = operator.page
    page.goto(f"{service.base}/#/align")
    page.locator(".plan").first.wait_for()
    setting = page.get_by_label("receiver on", exact=True)
    before = page.locator(".strip-picture").inner_html()
    setting.focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_function(
        "before => document.querySelector('.strip-picture').innerHTML !== before", arg=before
    )
    assert page.locator(".setting output").first.text_content() == "8 h 10 min"
    page.locator(".plan button").first.click()
    page.get_by_text(re.compile("covers every step, margin")).wait_for()
    assert page.locator(".steps-table .uncovered").count() == 0
    page.get_by_role("button", name="Use this option").click()
    page.get_by_role("button", name="Record it").click()
    page.wait_for_selector("dialog", state="detached")
    kinds = [each["kind"] for each in service.json("/records", subject="Orrery", limit=20)]
    assert "start-planned" in kinds
    assert kinds.count("setting-chosen") == 2


def test_every_screen_is_reached_and_left_by_keys_alone(service, visit):
    page = visit(service.base).open("sheets")
    screens = ["now", "timeline", "sky", "ground", "align", "records", "sheets", "handover"]
    for key, screen in enumerate(screens, 1):
        page.keyboard.press(str(key))
        page.wait_for_selector(f"main[data-screen='{screen}']")
        page.wait_for_function("() => document.activeElement.id === 'screen'")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement !== document.body")


def test_the_first_tab_offers_the_way_past_the_head(service, visit):
    page = visit(service.base).open("now")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the screen"
    assert page.evaluate("document.activeElement.getBoundingClientRect().top") >= 0


def test_the_timeline_is_worked_and_explained_by_keys(service, visit):
    page = visit(service.base).open("timeline")
    page.wait_for_selector("canvas[data-ready]")
    page.locator("canvas").focus()
    words = page.locator("#timeline-words")
    page.keyboard.press(".")
    first = words.text_content()
    assert re.search(r"AOS .*max .*LOS", first)
    page.keyboard.press(".")
    assert words.text_content() != first
    for _ in range(12):
        page.keyboard.press("ArrowDown")
    assert re.search("expires|AOS", words.text_content())
    for key in ("+", "+", "-", "ArrowLeft", "ArrowRight", "PageDown", "PageUp", "Home"):
        page.keyboard.press(key)
    page.keyboard.press(",")
    text = words.text_content()
    if "AOS" in text:
        page.keyboard.press("Enter")
        page.wait_for_selector("main[data-screen='sky']")


def test_the_timeline_explains_what_the_pointer_rests_on_and_the_wheel_zooms(service, visit):
    page = visit(service.base).open("timeline")
    page.wait_for_selector("canvas[data-ready]")
    box = page.locator("canvas").bounding_box()
    found = set()
    for x in range(200, int(box["width"]), 12):
        page.mouse.move(box["x"] + x, box["y"] + 110)
        found.add(page.locator("#timeline-words").text_content())
    assert any("AOS" in text for text in found)
    picture = "document.querySelector('canvas').toDataURL().length"
    page.wait_for_timeout(1200)
    before = page.evaluate(picture)
    page.mouse.move(box["x"] + 500, box["y"] + 110)
    page.mouse.wheel(0, -600)
    page.wait_for_timeout(300)
    assert page.evaluate(picture) != before


def test_a_phone_pinches_the_timeline(service, visit):
    guest = visit(service.base, viewport=PHONE, has_touch=True)
    page = guest.open("timeline")
    page.wait_for_selector("canvas[data-ready]")
    changed = page.evaluate(
        """async () => {
          const canvas = document.querySelector('canvas');
          const box = canvas.getBoundingClientRect();
          const touch = (type, id, x) => canvas.dispatchEvent(new PointerEvent(type, {pointerId: id,
            pointerType: 'touch', clientX: box.left + x, clientY: box.top + 120, bubbles: true}));
          canvas.setPointerCapture = () => {};
          const before = canvas.toDataURL();
          touch('pointerdown', 1, 180); touch('pointerdown', 2, 220);
          for (let step = 1; step <= 10; step += 1) {
            touch('pointermove', 1, 180 - 8 * step); touch('pointermove', 2, 220 + 8 * step);
          }
          touch('pointerup', 1, 100); touch('pointerup', 2, 300);
          await new Promise((done) => setTimeout(done, 300));
          return canvas.toDataURL() !== before;
        }"""
    )
    assert changed


def test_the_reader_chooses_light_size_and_day_of_the_year(service, visit):
    page = visit(service.base).open("records")
    page.wait_for_selector(".ledger tbody tr:nth-child(2)")
    page.get_by_role("button", name="View").click()
    page.get_by_role("button", name="bright room").click()
    page.get_by_role("button", name="wall").click()
    page.get_by_role("button", name="2026-329").click()
    page.get_by_role("button", name="Done").click()
    root = page.locator("html")
    assert root.get_attribute("data-paper") == "light"
    assert root.get_attribute("data-size") == "wall"
    page.wait_for_function(
        "() => /^[0-9]{4}-[0-9]{3} /.test("
        "document.querySelector('.ledger td:nth-child(2)')?.textContent)"
    )
    page.reload()
    assert root.get_attribute("data-paper") == "light"


def test_the_alerts_of_a_target_are_acknowledged_together_after_they_were_shown(service, operator):
    page = operator.page
    page.goto(f"{service.base}/#/now")
    button = page.get_by_role("button", name=re.compile("^Acknowledge all .* of Lantern 3$"))
    button.click()
    dialog = page.locator("dialog").last
    shown = dialog.locator(".alert").count()
    assert shown > 1
    operator.picture("acknowledge-together-desk")
    assert operator.violations() == []
    dialog.get_by_role("button", name="Acknowledge all").click()
    page.wait_for_selector("dialog", state="detached")
    button.wait_for(state="detached")
    records = service.json("/records", kind="alert-acknowledged", subject="Lantern 3", limit=50)
    assert len(records) >= shown
    assert {each["author"] for each in records} == {"m.aldous"}
