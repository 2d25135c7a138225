"""``contactd align``, run as a real process: its options are tried out, not believed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from command_line import Watch, lay_watch

from contactd.core.instants import from_text, to_text

ABOUT = ("Lantern 3", "wake-up")
TOMORROW = ("--from", "2026-11-26T06:00:00Z", "--to", "2026-11-26T08:00:00Z")


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    """The wake-up sequence with dials on two steps, and nobody near tomorrow."""
    watch = lay_watch(tmp_path)
    path = watch.config / "targets/lantern-3.yaml"
    text = path.read_text(encoding="utf-8")
    text = text.replace(
        "delay: 5h 30min", "delay: {setting: {from: 30min, to: 8h, resolution: 5min}}"
    )
    path.write_text(text, encoding="utf-8")
    return watch


def options(watch: Watch, *arguments: str) -> list[dict[str, Any]]:
    answer = watch("align", *ABOUT, *arguments, "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    found: list[dict[str, Any]] = answer.json["options"]
    return found


def served_after(watch: Watch, option: dict[str, Any], start: str) -> list[str]:
    """Dial an option in, plan the start, and ask for the forecast."""
    for step, setting_s in option["settings"].items():
        answer = watch("record", "setting", *ABOUT, step, f"{setting_s:g}s")
        assert answer.code == 0, answer.err
    assert watch("record", "plan", *ABOUT, "--at", start).code == 0
    return [each["coverage"] for each in watch("forecast", "--format", "json").json]


def test_json_has_the_form_of_the_contract(watch: Watch) -> None:
    answer = watch("align", *ABOUT, *TOMORROW, "--format", "json")
    assert answer.code == 0
    assert list(answer.json) == ["options", "blocked_by"]
    assert answer.json["blocked_by"] == []
    for option in answer.json["options"]:
        assert list(option) == [
            "start_from",
            "start_until",
            "best_start",
            "margin_s",
            "settings",
            "steps",
        ]
        assert set(option["settings"]) == {"receiver on", "beacon"}
        assert [list(step) for step in option["steps"]] == [
            ["step", "earliest", "nominal", "latest", "stations", "margin_s"]
        ] * 3
        first, best, last = (
            from_text(option[name]) for name in ("start_from", "best_start", "start_until")
        )
        assert best == pytest.approx((first + last) / 2, abs=2e-3)
        assert option["margin_s"] == pytest.approx((last - first) / 2, abs=2e-3)
    margins = [option["margin_s"] for option in answer.json["options"]]
    assert margins == sorted(margins, reverse=True)


def test_an_option_that_is_chosen_serves_every_step_up_to_its_margin(watch: Watch) -> None:
    option = options(watch, *TOMORROW, "--limit", "1")[0]
    best, margin_s = from_text(option["best_start"]), option["margin_s"]
    assert served_after(watch, option, to_text(best)) == ["covered"] * 3
    for edge in (best - margin_s + 0.5, best + margin_s - 0.5):
        assert watch("record", "plan", *ABOUT, "--at", to_text(edge)).code == 0
        verdicts = [each["coverage"] for each in watch("forecast", "--format", "json").json]
        assert verdicts == ["covered"] * 3
    for beyond in (best - margin_s - 2, best + margin_s + 2):
        assert watch("record", "plan", *ABOUT, "--at", to_text(beyond)).code == 0
        verdicts = [each["coverage"] for each in watch("forecast", "--format", "json").json]
        assert verdicts != ["covered"] * 3


def test_given_settings_leave_the_start_times_that_remain(watch: Watch) -> None:
    best = options(watch, *TOMORROW, "--limit", "1")[0]
    given = [
        part
        for step, setting_s in best["settings"].items()
        for part in ("--setting", f"{step}={setting_s:g}s")
    ]
    remaining = options(watch, *TOMORROW, *given)
    assert remaining[0] == best
    assert {tuple(sorted(each["settings"].items())) for each in remaining} == {
        tuple(sorted(best["settings"].items()))
    }


def test_as_set_takes_what_the_ledger_and_the_file_say(watch: Watch) -> None:
    refused = watch("align", *ABOUT, *TOMORROW, "--as-set")
    assert refused.code == 2
    assert "No setting of 'beacon' is known" in refused.err
    watch("record", "setting", *ABOUT, "beacon", "2h")
    answer = watch("align", *ABOUT, *TOMORROW, "--as-set", "--format", "json")
    settings = [option["settings"] for option in answer.json["options"]]
    assert all(each == {"receiver on": 5400.0, "beacon": 7200.0} for each in settings)


def test_the_order_may_be_by_finish(watch: Watch) -> None:
    finishes = [
        option["steps"][-1]["latest"] for option in options(watch, *TOMORROW, "--rank", "finish")
    ]
    assert finishes == sorted(finishes)
    assert finishes[0] <= options(watch, *TOMORROW, "--limit", "1")[0]["steps"][-1]["latest"]


def test_what_cannot_be_served_says_what_blocks_it(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    answer = watch("align", *ABOUT, "--format", "json")
    assert answer.code == 1
    assert answer.json["options"] == []
    assert answer.json["blocked_by"]
    for blocker in answer.json["blocked_by"]:
        assert list(blocker) == ["step", "reason", "relaxation"]
        assert all(blocker.values())
    table = watch("align", *ABOUT)
    assert table.code == 1
    assert "No start keeps every step covered." in table.out
    assert "relax " in table.out
    assert max(map(len, table.out.splitlines())) <= 80
    rows = watch("align", *ABOUT, "--format", "csv").csv
    assert [row["step"] for row in rows] == [each["step"] for each in answer.json["blocked_by"]]


def test_a_slip_says_what_is_lost(watch: Watch) -> None:
    option = options(watch, *TOMORROW, "--limit", "1")[0]
    beyond = f"{option['margin_s'] + 60:.0f}s"
    lost = watch("align", *ABOUT, *TOMORROW, "--slip", beyond, "--format", "json").json["slip"]
    assert lost["lost"]
    earlier = watch("align", *ABOUT, *TOMORROW, "--slip", f"-{beyond}", "--format", "json").json
    assert earlier["slip"]["slip_s"] < 0
    assert earlier["slip"]["lost"]
    within = watch("align", *ABOUT, *TOMORROW, "--slip", "1s")
    assert "If option 1 starts 1 s later: every step stays covered." in within.out
    assert "no longer certainly covered" in watch("align", *ABOUT, *TOMORROW, "--slip", beyond).out


@pytest.mark.parametrize("arguments", [[], ["--day-of-year"], ["--limit", "20"]])
def test_the_table_fits_eighty_columns_and_says_who_decides(
    watch: Watch, arguments: list[str]
) -> None:
    answer = watch("align", *ABOUT, *TOMORROW, *arguments)
    assert answer.code == 0
    assert max(map(len, answer.out.splitlines())) <= 80
    assert "Starts 2026-" in answer.out
    assert "1. Start 2026-" in answer.out
    assert "authority decide." in " ".join(answer.out.split())


def test_csv_has_a_row_a_step_of_each_option(watch: Watch) -> None:
    rows = watch("align", *ABOUT, *TOMORROW, "--limit", "2", "--format", "csv").csv
    assert [row["option"] for row in rows] == ["1"] * 3 + ["2"] * 3
    assert [row["step"] for row in rows[:3]] == ["receiver on", "antenna release", "beacon"]
    assert rows[1]["setting_s"] == ""


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--setting", "receiver on"], "Write STEP=DURATION"),
        (["--setting", "reciever on=2h"], "Did you mean 'receiver on'?"),
        (["--setting", "antenna release=2h"], "No setting 'antenna release'"),
        (["--setting", "receiver on=2"], "add a unit to 2"),
        (["--setting", "receiver on=2h 3min"], "that 'receiver on' can be set to"),
        (["--from", "2026-11-26T09:00:00Z", "--to", "2026-11-26T08:00:00Z"], "Swap them"),
        (["--limit", "0"], "--limit"),
    ],
)
def test_a_slip_of_the_pen_is_refused(watch: Watch, arguments: list[str], message: str) -> None:
    answer = watch("align", *ABOUT, *TOMORROW, *arguments)
    assert answer.code == 2
    assert message in " ".join(answer.err.split())
    assert "Traceback" not in answer.err


def test_every_option_can_say_what_it_follows_from(watch: Watch) -> None:
    (plain,) = options(watch, *TOMORROW, "--limit", "1")
    (told,) = options(watch, *TOMORROW, "--limit", "1", "--explain")
    for before, after in zip(plain["steps"], told["steps"], strict=True):
        why = after.pop("why")
        assert after == before
        assert why["elements"].startswith("elements of ")
        about = {fact["about"] for fact in why["facts"]}
        assert {"start", "delay", "clock"} <= about
        assert all(fact["text"] and fact["source"] for fact in why["facts"])
    text = watch("align", *ABOUT, *TOMORROW, "--limit", "1", "--explain").out
    assert "It rests on elements of " in text
    assert "[chosen setting]" in text
    assert "[prediction]" in text
