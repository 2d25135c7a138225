"""``contactd forecast``, run as a real process on a real configuration."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from command_line import Watch, lay_watch, low_orbit

from contactd.core.instants import from_text, to_text
from contactd.core.orbit import format_omm
from contactd.core.record import CONFIGURATION_ADOPTED, ELEMENTS_ADOPTED, Record
from contactd.records.ledger import Ledger

FIELDS = [
    "target",
    "sequence",
    "step",
    "status",
    "earliest",
    "nominal",
    "latest",
    "coverage",
    "in_view_probability",
    "stations",
    "margin_s",
    "stop_by",
    "stop_station",
    "stops",
    "keep_clear",
    "stop_by_without",
    "parts",
    "next_command",
    "orbit_error",
]
MILLISECONDS_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")


@pytest.fixture(scope="module")
def watch(tmp_path_factory: pytest.TempPathFactory) -> Watch:
    return lay_watch(tmp_path_factory.mktemp("watch"))


def test_json_is_a_list_of_steps_in_the_form_of_the_contract(watch: Watch) -> None:
    answer = watch("forecast", "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    assert [step["step"] for step in answer.json] == ["receiver on", "antenna release", "beacon"]
    for step in answer.json:
        assert list(step) == FIELDS
        assert (step["target"], step["sequence"]) == ("Lantern 3", "wake-up")
        assert step["coverage"] in ("covered", "at risk", "uncovered")
        assert step["orbit_error"]["source"] == "stated"
        assert step["orbit_error"]["per_day_s"] == 1.5
        assert 0 <= step["in_view_probability"] <= 1
        assert isinstance(step["stations"], list)
        times = [step[name] for name in ("earliest", "nominal", "latest")]
        assert all(MILLISECONDS_UTC.fullmatch(time) for time in times)
        assert times == sorted(times)
    hazardous = answer.json[1]
    assert set(hazardous["keep_clear"]) == {"from", "to", "zone"}
    assert answer.json[0]["keep_clear"] is None


def test_an_expiry_follows_from_start_delay_bounds_and_rate(watch: Watch) -> None:
    # By hand: start 08:00:00 to 10:00:00; 1 h 30 min and 2 min later; 50 ppm of 5 520 s is
    # 0.276 s, both ways. Keep-clear: 2 min before the earliest, 10 min after the latest.
    step = watch("forecast", "--format", "json").json[1]
    earliest, latest = from_text(step["earliest"]), from_text(step["latest"])
    assert earliest == pytest.approx(from_text("2026-11-25T09:32:00Z") - 0.276, abs=2e-3)
    assert latest == pytest.approx(from_text("2026-11-25T11:32:00Z") + 0.276, abs=2e-3)
    keep_clear = step["keep_clear"]
    assert from_text(keep_clear["from"]) == pytest.approx(earliest - 120, abs=2e-3)
    assert from_text(keep_clear["to"]) == pytest.approx(latest + 600, abs=2e-3)


def test_csv_spreads_the_keep_clear_over_two_columns(watch: Watch) -> None:
    rows = watch("forecast", "--format", "csv").csv
    steps = watch("forecast", "--format", "json").json
    assert list(rows[0]) == [
        *(field for field in FIELDS if field != "keep_clear"),
        "keep_clear_from",
        "keep_clear_to",
    ]
    assert rows[1]["keep_clear_from"] == steps[1]["keep_clear"]["from"]
    assert rows[0]["keep_clear_from"] == ""
    assert rows[0]["stations"] == "; ".join(steps[0]["stations"])
    assert rows[0]["earliest"] == steps[0]["earliest"]


@pytest.mark.parametrize("arguments", [[], ["--explain"], ["--day-of-year"], ["--at", "+1h"]])
def test_every_line_fits_eighty_columns_and_has_no_escapes(
    watch: Watch, arguments: list[str]
) -> None:
    out = watch("forecast", *arguments).out
    assert max(map(len, out.splitlines())) <= 80
    assert "\x1b" not in out


def test_the_page_warns_of_people_near_and_says_who_decides(watch: Watch) -> None:
    out = watch("forecast").out
    assert "Lantern 3 / wake-up\nStart expected 2026-11-25 08:00:00Z to 10:00:00Z ± 30 s" in out
    assert "antenna release (hazard: deployment)" in out
    assert re.search(
        r"warning +people near during keep-clear, 2026-11-25 09:29:59Z to 10:30:00Z", out
    )
    assert re.search(r"keep clear +2026-11-25 09:29:59Z to 11:42:01Z", out)
    words = " ".join(out.split())
    assert "contactd gives advice. It does not certify safety." in words
    assert "Flight rules, range safety and the responsible authority decide." in words


def test_a_forecast_without_a_hazard_carries_no_caution(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    path = watch.config / "targets/lantern-3.yaml"
    text = path.read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if "hazard" not in line and "keep_clear" not in line]
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    assert "caution" not in watch("forecast").out


def test_why_gives_the_facts_that_an_answer_rests_on(watch: Watch) -> None:
    out = watch("forecast", "--explain").out
    words = " ".join(out.split())
    assert "Lantern 3: elements of 2026-11-25 00:00:00Z (9 h ago) from the target" in words
    assert "the start is expected, from 2026-11-25T08:00:00" in words
    assert "antenna release acts 2 min after receiver on [configuration]" in words
    plain = watch("forecast", "--format", "json").json
    explained = watch("forecast", "--explain", "--format", "json").json
    assert [set(each) - set(FIELDS) for each in explained] == [{"why"}] * 3
    assert [{name: each[name] for name in FIELDS} for each in explained] == plain
    about = {fact["about"] for fact in explained[1]["why"]["facts"]}
    assert {"start", "delay"} <= about


def test_at_moves_the_moment_from_which_the_forecast_looks(watch: Watch) -> None:
    later = watch("forecast", "--at", "2026-11-25T11:50:00Z", "--format", "json").json
    assert [step["step"] for step in later] == ["receiver on", "antenna release", "beacon"]
    now = watch("forecast", "--format", "json").json
    assert [step["earliest"] for step in later] == [step["earliest"] for step in now]
    assert watch("forecast", "--at", "2026-11-25T11:50:00Z").out.startswith(
        "Forecast as of 2026-11-25 11:50:00Z\n"
    )


def test_a_target_without_elements_is_told_and_its_steps_are_still_timed(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    path = watch.config / "targets/lantern-3.yaml"
    text = path.read_text(encoding="utf-8")
    start, end = text.index("elements:"), text.index("sequences:")
    path.write_text(text[:start] + text[end:], encoding="utf-8")
    answer = watch("forecast", "--format", "json")
    assert answer.code == 1
    assert answer.err == "Lantern 3: there are no elements of it yet\n"
    assert [step["earliest"] is not None for step in answer.json] == [True, True, True]
    assert {step["coverage"] for step in answer.json} <= {"uncovered", "at risk"}


def test_targets_without_sequences_have_no_forecast(watch: Watch) -> None:
    answer = watch("forecast", "--target", "Heron 1")
    assert answer.code == 0
    assert "No target has a sequence." in answer.out
    assert watch("forecast", "--target", "Heron 1", "--format", "json").json == []


def test_a_wrong_target_is_told_with_the_nearest(watch: Watch) -> None:
    answer = watch("forecast", "--target", "Lantem 3")
    assert answer.code == 2
    assert "No target 'Lantem 3'. Did you mean 'Lantern 3'?" in answer.err


def test_a_forecast_as_of_earlier_rests_on_the_elements_known_then_and_on_nothing_later(
    tmp_path: Path,
) -> None:
    watch = lay_watch(tmp_path)
    path = watch.config / "targets/lantern-3.yaml"
    fetched = "elements: {url: 'https://elements.example/lantern-3.txt', format: tle}\n"
    text = path.read_text()
    path.write_text("name: Lantern 3\n" + fetched + text[text.index("sequences:") :])
    adopted = []
    for at, epoch in (("05:00", "2026-11-25T00:00:00Z"), ("08:50", "2026-11-25T08:00:00Z")):
        elements = low_orbit("Lantern 3", epoch)
        body = {
            "source": "https://elements.example/lantern-3.txt",
            "epochs": [to_text(elements.epoch, 6)],
            "omm": format_omm(elements, "json"),
        }
        when = from_text(f"2026-11-25T{at}:00Z")
        adopted.append(Record(when, ELEMENTS_ADOPTED, "Lantern 3", "contactd", body))
    with Ledger.open(f"sqlite:///{watch.folder}/var/ledger.sqlite") as ledger:
        ledger.append(adopted[:1])
    then = watch("forecast", "--explain", now="2026-11-25T08:40:00Z").out
    assert "elements of 2026-11-25 00:00:00Z" in then
    with Ledger.open(f"sqlite:///{watch.folder}/var/ledger.sqlite") as ledger:
        ledger.append(adopted[1:])
    assert "elements of 2026-11-25 08:00:00Z" in watch("forecast", "--explain").out
    assert watch("forecast", "--explain", "--at", "2026-11-25T08:40:00Z").out == then
    before_any = watch("forecast", "--at", "2026-11-25T04:00:00Z")
    assert before_any.code == 1
    assert "elements" in before_any.err


def test_a_forecast_as_of_earlier_says_that_the_files_have_changed_since(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    body = {"digest": "of other files", "targets": [], "stations": []}
    record = Record(from_text("2026-11-25T05:00:00Z"), CONFIGURATION_ADOPTED, "", "contactd", body)
    with Ledger.open(f"sqlite:///{watch.folder}/var/ledger.sqlite") as ledger:
        ledger.append([record])
    assert "the files have changed since then" in watch("forecast", "--at", "-1h").err
    assert watch("forecast").err == ""


def test_the_stop_by_that_survives_the_loss_of_stations_is_told(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    text = (watch.config / "targets" / "lantern-3.yaml").read_text()
    # A start that is known better, and a day until the release: stops are certain.
    text = text.replace("not_after: 2026-11-25T10:", "not_after: 2026-11-25T08:")
    watch.write("targets/lantern-3.yaml", text.replace("delay: 2min", "delay: 1d"))
    steps = watch("forecast", "--format", "json").json
    left = steps[1]["stop_by_without"]
    assert [each["stations_lost"] for each in left] == list(range(len(left)))
    assert left[0]["stop_by"] == steps[1]["stop_by"]
    assert left[0]["station"] == steps[1]["stop_station"]
    assert [each["stop_by"] for each in left] == sorted(
        (each["stop_by"] for each in left), reverse=True
    )
    assert len({each["station"] for each in left}) == len(left)
    out = watch("forecast", "--survive", "2").out
    assert "without 1" in out
    assert "without 2" in out
    assert "without 1" not in watch("forecast").out
