"""Commands over targets that are not given by element sets in their own file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import NOW, Watch, lay_watch, low_orbit

from contactd.core.instants import from_text, to_text
from contactd.core.orbit import format_omm
from contactd.core.record import ELEMENTS_ADOPTED, Record
from contactd.records.ledger import Ledger

LANTERN = ("--target", "Lantern 3")


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return lay_watch(tmp_path)


def test_an_ephemeris_gives_the_contacts_of_the_elements_it_was_made_of(watch: Watch) -> None:
    wanted = watch("contacts", *LANTERN, "--to", "+10h", "--format", "json").json
    exported = watch("export", "ephemeris", "Lantern 3", "--from", "-1h", "--to", "+12h").out
    watch.write("targets/lantern.oem", exported)
    watch.write("targets/lantern-3.yaml", "name: Lantern 3\nelements: {oem: lantern.oem}\n")
    answer = watch("contacts", *LANTERN, "--to", "+10h", "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    assert len(answer.json) == len(wanted)
    for found, expected in zip(answer.json, wanted, strict=True):
        # Hermite's degree 7 between nodes of a minute: a few centimetres, microseconds.
        assert abs(from_text(found["aos"]) - from_text(expected["aos"])) < 0.01
        assert abs(from_text(found["los"]) - from_text(expected["los"])) < 0.01


def test_where_an_ephemeris_ends_is_told(watch: Watch) -> None:
    watch.write("targets/lantern.oem", watch("export", "ephemeris", "Lantern 3", "--to", "+6h").out)
    watch.write("targets/lantern-3.yaml", "name: Lantern 3\nelements: {oem: lantern.oem}\n")
    answer = watch("contacts", *LANTERN, "--to", "+1d", "--format", "json")
    assert answer.code == 1
    assert answer.err == "Lantern 3: its motion is known until 2026-11-25 15:00:00Z only\n"
    assert answer.json
    assert all(contact["los"] <= "2026-11-25T15:00:00.001Z" for contact in answer.json)
    checked = watch("check")
    assert checked.code == 0
    assert "its motion is known until 2026-11-25 15:00:00Z only" in checked.out


def test_a_state_is_propagated(watch: Watch) -> None:
    watch.write(
        "targets/lantern-3.yaml",
        "name: Lantern 3\nelements:\n  kepler:\n    epoch: 2026-11-25T08:00:00Z\n    frame: TEME\n"
        "    semi_major_axis_km: 6938\n    eccentricity: 0.001\n    inclination_deg: 97.6\n"
        "    raan_deg: 10\n    argument_of_perigee_deg: 90\n    mean_anomaly_deg: 270\n",
    )
    checked = watch("check")
    assert checked.code == 0, checked.out
    answer = watch("contacts", *LANTERN, "--to", "+1d", "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    assert 10 < len(answer.json) < 40


FETCHED = (
    "name: Lantern 3\nelements: {url: 'https://elements.example/lantern-3.txt', format: tle}\n"
)


def test_elements_that_the_service_fetched_are_taken_from_the_ledger(watch: Watch) -> None:
    wanted = watch("contacts", *LANTERN, "--to", "+1d", "--format", "json").json
    watch.write("targets/lantern-3.yaml", FETCHED)
    nothing = watch("contacts", *LANTERN)
    assert nothing.code == 1
    assert nothing.err.startswith("Lantern 3: No elements.")
    assert "has not been fetched yet" in watch("check").out

    elements = low_orbit("Lantern 3")
    body = {
        "source": "https://elements.example/lantern-3.txt",
        "epochs": [to_text(elements.epoch, 6)],
        "omm": format_omm(elements, "json"),
    }
    with Ledger.open(f"sqlite:///{watch.folder}/var/ledger.sqlite") as ledger:
        ledger.append([Record(from_text(NOW), ELEMENTS_ADOPTED, "Lantern 3", "contactd", body)])
    answer = watch("contacts", *LANTERN, "--to", "+1d", "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    assert [each["aos"][:19] for each in answer.json] == [each["aos"][:19] for each in wanted]
    target = json.loads(watch("check", "--format", "json").out)["targets"][1]
    assert target["elements_epoch"] == "2026-11-25T00:00:00.000Z"


def test_links_bring_their_frequencies_to_a_pointing_table(watch: Watch) -> None:
    path = watch.config / "targets/lantern-3.yaml"
    link = "{name: telemetry, direction: down, frequency_mhz: 437.5, bit_rate_bps: 9600}"
    path.write_text(f"{path.read_text()}links: [{link}]\n")
    checked = watch("check")
    assert checked.code == 0, checked.out
    [table] = watch("contacts", *LANTERN, "--pointing", "--every", "1min", "--format", "json").json
    for row in table["rows"]:
        assert row["telemetry_tune_hz"] == pytest.approx(
            437.5e6 + row["telemetry_doppler_hz"], abs=0.01
        )
        first_order = -437.5e6 * row["range_rate_km_s"] / 299_792.458
        assert row["telemetry_doppler_hz"] == pytest.approx(first_order, abs=0.5)
        assert isinstance(row["telemetry_margin_db"], float)
    out = watch("contacts", *LANTERN, "--pointing", "--every", "1min").out
    assert "Tune telemetry" in out
    assert max(map(len, out.splitlines())) <= 80
