"""How much the page weighs: what travels to a browser that has nothing of it yet."""

import pytest
from daemon import Daemon
from real_process import free_port
from watch_room import WatchRoom
from watch_service import Service

pytestmark = pytest.mark.process

MOST_BYTES = 300_000


@pytest.fixture(scope="module")
def crowded(tmp_path_factory):
    """A service with twenty targets and five stations."""
    room = WatchRoom(tmp_path_factory.mktemp("crowded"), free_port(), passing=15)
    daemon = Daemon(room)
    daemon.begin()
    service = Service(room, daemon)
    yield service
    service.http.close()
    daemon.clean_up()


def test_the_first_screen_with_twenty_targets_weighs_less_than_300_kb(crowded, visit):
    assert len(crowded.json("/targets")) == 20
    guest = visit(crowded.base)
    wire = guest.context.new_cdp_session(guest.page)
    wire.send("Network.enable")
    sizes: list[float] = []
    wire.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page = guest.open("now")
    page.wait_for_selector(".target:nth-of-type(3)")
    page.wait_for_timeout(1500)
    guest.picture("now-twenty-targets")
    print(f"{sum(sizes) / 1000:.0f} kB in {len(sizes)} answers")
    assert len(sizes) > 10
    assert sum(sizes) < MOST_BYTES


def test_nothing_is_sent_twice_to_a_browser_that_has_it(crowded, visit):
    guest = visit(crowded.base)
    page = guest.open("now")
    page.wait_for_selector(".target")
    answers: dict[str, int] = {}
    page.on("response", lambda answer: answers.setdefault(answer.url, answer.status))
    page.reload()
    page.wait_for_selector(".target")
    again = {url: status for url, status in answers.items() if "/static/" in url}
    assert again
    assert set(again.values()) <= {200, 304}
    scripts = [url for url in again if url.endswith(".js")]
    for url in scripts[:5]:
        tag = crowded.http.get(url).headers["ETag"]
        assert crowded.http.get(url, headers={"If-None-Match": tag}).status_code == 304


def test_a_calendar_of_everything_is_refused_with_what_to_ask_for(crowded):
    answer = crowded.http.get("/contacts.ics")
    assert answer.status_code == 422
    assert "ask for some target, station or kind" in answer.json()["detail"]
    name = crowded.json("/targets")[0]["name"]
    assert crowded.http.get("/contacts.ics", params={"target": name}).status_code == 200
