"""The same moment reads the same in every face, and on the safe side."""

from __future__ import annotations

import io
import re
from contextlib import redirect_stdout
from pathlib import Path

import pytest
from command_line import Watch, lay_watch

from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import (
    Covered,
    SequenceForecast,
    Start,
    StartStatus,
    StepForecast,
    StepStatus,
)
from contactd.faces.cli.forecast_table import ForecastPage
from contactd.faces.cli.tables import console
from contactd.mission.documents.steps import sequence_form, step_form

AT = from_text("2026-12-03T10:00:00Z")


def awkward(fraction_s: float) -> SequenceForecast:
    """A forecast each of whose moments lies a fraction after a whole second."""
    step = StepForecast(
        target="Lantern 3",
        sequence="wake-up",
        step="antenna release",
        status=StepStatus.RUNNING,
        earliest=AT + 3600 + fraction_s,
        nominal=AT + 3660.0,
        latest=AT + 3700 + fraction_s,
        coverage=Covered.UNCOVERED,
        margin_s=-251.0 + fraction_s,
        stop_by=AT + fraction_s,
        stop_station="Brenn Head",
        stop_possible=True,
        keep_clear=(AT + 3000 + fraction_s, AT + 4300 + fraction_s),
        people_in_danger=IntervalSet([AT + 3000 + fraction_s], [AT + 3100 + fraction_s]),
        hazard="deployment",
        confirm_at=AT + 5000 + fraction_s,
        confirm_station="Kestrel Point",
    )
    start = Start(StartStatus.OBSERVED, AT - 60 + fraction_s, AT - 55, AT - 50 + fraction_s)
    return SequenceForecast("Lantern 3", "wake-up", start, (step,))


def page(forecast: SequenceForecast) -> str:
    out = io.StringIO()
    with redirect_stdout(out):
        ForecastPage(console(), AT - 600.0).show(forecast)
    return out.getvalue()


@pytest.mark.parametrize("fraction_s", [0.0003, 0.3, 0.7, 0.9996])
def test_the_same_moment_reads_the_same_in_table_and_json_on_the_safe_side(
    fraction_s: float,
) -> None:
    forecast = awkward(fraction_s)
    shown, form = page(forecast), step_form(forecast.steps[0])
    # What must not be later than it is: the whole second before.
    assert "stop by     2026-12-03 10:00:00Z through Brenn Head (in 10 min)" in shown
    assert form["stop_by"].startswith("2026-12-03T10:00:00.")
    assert from_text(form["stop_by"]) <= AT + fraction_s + 1e-6
    # An expiry and a keep-clear: widened at both ends.
    assert re.search(r"antenna release +running +2026-12-03 11:00:00Z +11:01:41Z +uncovered", shown)
    assert "keep clear  2026-12-03 10:50:00Z to 11:11:41Z" in shown
    assert "people near during keep-clear, 2026-12-03 10:50:00Z to 10:51:41Z" in shown
    assert from_text(form["earliest"]) <= AT + 3600 + fraction_s + 1e-6
    assert from_text(form["latest"]) >= AT + 3700 + fraction_s - 1e-6
    assert from_text(form["keep_clear"]["to"]) >= AT + 4300 + fraction_s - 1e-6
    # The first look finds the effect if the step has expired: never earlier.
    assert "first look  2026-12-03 11:23:21Z, Kestrel Point" in shown
    assert "Start observed 2026-12-03 09:59:00Z to 09:59:11Z" in shown
    start = sequence_form(forecast, IntervalSet())["start"]
    assert from_text(start["latest"]) >= AT - 50 + fraction_s - 1e-6
    # 4 min 10.3 s short of coverage is 4 min 11 s short, never 4 min 10 s.
    assert "margin      -4 min 11 s" in shown


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return lay_watch(tmp_path)


def test_the_contacts_of_table_and_json_are_the_same_moments_rounded_to_the_safe_side(
    watch: Watch,
) -> None:
    asked = ("contacts", "--target", "Lantern 3", "--to", "+1d")
    listed = watch(*asked, "--format", "json").json
    rows = [line for line in watch(*asked).out.splitlines() if re.search(r" {2,}2026-11", line)]
    assert len(rows) == len(listed) > 10
    assert any(not each["los"].endswith(".000Z") for each in listed)
    for row, contact in zip(rows, listed, strict=True):
        day, aos, los = re.findall(r"(2026-11-\d\d) ([\d:]+)Z +([\d:]+)Z", row)[0]
        assert (day, aos) == (contact["aos"][:10], contact["aos"][11:19])
        assert los == contact["los"][11:19], "a last moment is cut to the second, never rounded up"


OUT = """
outages:
  - {from: 2026-11-25T09:00:00Z, to: 2026-11-25T13:00:00Z, why: new gearbox}
"""


def test_a_station_in_outage_is_marked_with_reason_and_end_and_not_advised(watch: Watch) -> None:
    station = watch.config / "stations/nordhavn.yaml"
    station.write_text(station.read_text() + OUT)
    asked = ("contacts", "--target", "Lantern 3", "--to", "+12h")
    listed = watch(*asked, "--format", "json").json
    out = [each for each in listed if each["outage"]]
    assert {each["station"] for each in out} == {"Nordhavn"}
    assert all(each["usable"] == [] and each["los"] < "2026-11-25T13:00" for each in out)
    assert {each["outage"]["why"] for each in out} == {"new gearbox"}
    table = watch(*asked).out
    assert len(re.findall(r"^Nordhavn x ", table, re.MULTILINE)) == len(out) > 1
    note = " ".join(table.split())
    assert "x Nordhavn: do not use. Out 2026-11-25 09:00:00Z to 13:00:00Z: new gearbox." in note
    assert max(map(len, table.splitlines())) <= 80
    rows = watch(*asked, "--format", "csv").csv
    assert sum("new gearbox" in row["outage"] for row in rows) == len(out)


def test_an_outage_that_ends_within_a_contact_leaves_the_rest_of_it(watch: Watch) -> None:
    asked = ("contacts", "--target", "Heron 1", "--station", "Nordhavn", "--to", "+12h")
    station = watch.config / "stations/nordhavn.yaml"
    station.write_text(station.read_text() + OUT)
    [contact] = watch(*asked, "--format", "json").json
    assert contact["usable"] == [
        {"from": "2026-11-25T13:00:00.000Z", "to": "2026-11-25T21:00:00.000Z"}
    ]
    words = " ".join(watch(*asked).out.split())
    assert "* Nordhavn: use 2026-11-25 13:00:00Z to 21:00:00Z only. Out 2026-11-25" in words


def test_a_past_span_of_a_state_or_an_ephemeris_is_no_error(watch: Watch) -> None:
    exported = watch("export", "ephemeris", "Lantern 3", "--from", "-12h", "--to", "-1h").out
    watch.write("targets/lantern.oem", exported)
    watch.write("targets/lantern-3.yaml", "name: Lantern 3\nelements: {oem: lantern.oem}\n")
    past = ("contacts", "--target", "Lantern 3", "--from", "-11h", "--to", "-2h")
    answer = watch(*past, "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    assert len(answer.json) > 3


def test_an_ephemeris_shorter_than_the_default_horizon_is_no_error_but_a_note(
    watch: Watch,
) -> None:
    exported = watch("export", "ephemeris", "Lantern 3", "--from", "-1h", "--to", "+6h").out
    watch.write("targets/lantern.oem", exported)
    watch.write("targets/lantern-3.yaml", "name: Lantern 3\nelements: {oem: lantern.oem}\n")
    known = "Lantern 3: its motion is known until 2026-11-25 15:00:00Z only\n"
    by_default = watch("contacts", "--target", "Lantern 3", "--format", "json")
    assert (by_default.code, by_default.err) == (0, f"note: {known}")
    asked = watch("contacts", "--target", "Lantern 3", "--to", "+1d", "--format", "json")
    assert (asked.code, asked.err) == (1, known)
