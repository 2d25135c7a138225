"""A command-loss timer on the command line: what is sent, heard, needed next, and in doubt."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import Watch, lay_watch, low_orbit, target_text

LOSS = """\
name: Lantern 3
elements:
  tle: |
    {line1}
    {line2}
sequences:
  - name: command loss
    start: {{status: observed, at: 2026-11-25T06:00:00Z, give_or_take: 5s}}
    clock: {{rate_error_ppm: 40}}
    events:
      - {{name: any command, command: any}}
    steps:
      - name: safe mode
        after: start
        delay: 24h
        restart: {{by: any command, lead: 5min, takes_effect_in: 30s}}
      - name: beacon
        after: safe mode
        delay: 10min
"""
SEQUENCE = ("Lantern 3", "command loss")


@pytest.fixture
def contactd(tmp_path: Path) -> Watch:
    watch = lay_watch(tmp_path)
    watch.write("targets/lantern-3.yaml", target_text(low_orbit(), LOSS))
    return watch


def step(watch: Watch, name: str = "safe mode") -> dict:
    steps = watch("forecast", "--format", "json").json
    return next(each for each in steps if each["step"] == name)


def sent(watch: Watch, at: str, *more: str) -> int:
    answer = watch("record", "sent", *SEQUENCE, "hello", "--at", at, "--format", "json", *more)
    assert answer.code == 0, answer.err
    return answer.json["record"]["number"]


def test_the_next_command_is_needed_through_a_station_in_time(contactd: Watch) -> None:
    found = step(contactd)
    assert found["earliest"] == "2026-11-26T05:59:51.544Z"  # 24 h later, 5 s and 40 ppm before
    needed = found["next_command"]
    assert needed["by"] <= "2026-11-26T05:54:21.544Z"  # 5 min of lead and 30 s before that
    assert needed["station"] in needed["last_windows"][-1]["station"]
    assert needed["windows_left"] >= 2
    text = " ".join(contactd("forecast").out.split())
    assert f"command by {needed['by'][:10]} {needed['by'][11:19]}Z" in text
    assert f"{needed['windows_left']} left; the last:" in text


def test_a_command_in_doubt_leaves_two_parts_until_it_is_answered(contactd: Watch) -> None:
    number = sent(contactd, "2026-11-25T08:30:00Z", "--give-or-take", "2s")
    doubt = step(contactd)
    assert [each["from"] for each in doubt["parts"]] == [
        "2026-11-26T05:59:51.544Z",
        "2026-11-26T08:29:54.544Z",
    ]
    assert doubt["nominal"] is None
    assert len(step(contactd, "beacon")["parts"]) == 2
    assert "either" in contactd("forecast").out
    answer = contactd("record", "heard", *SEQUENCE, "yes", "--sent", str(number))
    assert answer.code == 0, answer.err
    sure = step(contactd)
    assert sure["parts"] == []
    assert sure["earliest"] == "2026-11-26T08:29:54.544Z"
    contactd("record", "heard", *SEQUENCE, "no", "--sent", str(number))
    assert step(contactd)["earliest"] == "2026-11-26T05:59:51.544Z"


def test_a_time_without_an_error_is_taken_to_half_its_last_digit(contactd: Watch) -> None:
    sent(contactd, "2026-11-25T08:30:00Z", "--heard", "yes")
    found = step(contactd)
    assert found["earliest"] == "2026-11-26T08:29:56.044Z"


def test_an_answer_about_no_command_names_those_that_there_are(contactd: Watch) -> None:
    number = sent(contactd, "2026-11-25T08:30:00Z")
    answer = contactd("record", "heard", *SEQUENCE, "yes", "--sent", "99")
    assert answer.code == 2
    assert f"Use one of: {number}." in answer.err


def test_an_event_that_is_not_there_is_told_with_its_place(contactd: Watch) -> None:
    text = target_text(low_orbit(), LOSS).replace("restart: {by: any command", "restart: {by: sun")
    contactd.write("targets/lantern-3.yaml", text)
    checked = contactd("check")
    assert checked.code == 1
    assert "targets/lantern-3.yaml:16:23" in checked.out
    assert "the name of an event in events" in " ".join(checked.out.split())
