"""The stream of changes: it beats, it tells of news, and it is bounded."""

import json
import threading
import time
from itertools import pairwise

import httpx
import pytest

from contactd.faces.http.stream import BEAT_S, MOST_LISTENERS

pytestmark = pytest.mark.process


def events(service, seconds):
    """(name, data, when) of each event within so many seconds."""
    found = []
    deadline = time.monotonic() + seconds
    with service.http.stream("GET", "/api/v1/changes") as answer:
        assert answer.headers["Content-Type"].startswith("text/event-stream")
        name = ""
        for line in answer.iter_lines():
            if line.startswith("event: "):
                name = line[7:]
            elif line.startswith("data: "):
                found.append((name, json.loads(line[6:]), time.monotonic()))
            if time.monotonic() > deadline:
                return found
    return found


def test_it_beats_often_enough_to_notice_a_loss_within_five_seconds(service):
    beats = [when for name, _, when in events(service, 6) if name == "beat"]
    gaps = [after - before for before, after in pairwise(beats)]
    assert len(beats) >= 3
    # The page gives up 4 s after the last beat: two may be late by a little.
    assert max(gaps) < 2 * BEAT_S


def test_a_beat_says_the_services_time_and_health(service):
    [beat] = [data for name, data, _ in events(service, 1) if name == "beat"][:1]
    assert beat["live"] is True
    assert beat["ready"] is True
    assert beat["notice"] == ""
    assert beat["at"] <= beat["now"]


def test_what_is_recorded_arrives_as_a_change(service):
    told = []
    reader = threading.Thread(target=lambda: told.extend(events(service, 4)))
    reader.start()
    time.sleep(1.5)
    entry = {"enter": "remark", "target": "Lantern 3", "text": "does this arrive?"}
    number = service.operate("/records", entry)["record"]["number"]
    reader.join()
    assert max(data["ledger_at"] for name, data, _ in told if name == "change") >= number


def test_only_so_many_may_listen_and_a_place_is_free_again_when_one_leaves(service):
    with httpx.Client(
        base_url=service.base, timeout=20, limits=httpx.Limits(max_connections=100)
    ) as crowd:
        streams = []
        try:
            for _ in range(MOST_LISTENERS):
                stream = crowd.stream("GET", "/api/v1/changes")
                answer = stream.__enter__()
                lines = answer.iter_lines()
                # Kept: a reader that is let go of closes its stream.
                streams.append((stream, lines))
                assert answer.status_code == 200
                next(lines)
            with service.http.stream("GET", "/api/v1/changes") as refused:
                assert refused.status_code == 429
                assert json.loads(refused.read())["code"] == "too-many"
        finally:
            for stream, _ in streams:
                stream.__exit__(None, None, None)
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        with service.http.stream("GET", "/api/v1/changes") as answer:
            if answer.status_code == 200:
                return
        time.sleep(0.2)
    pytest.fail("no place was free again")
