"""Observed AOS, LOS and Doppler by command line: recorded, learned from, compared."""

from dataclasses import replace

import numpy as np
import pytest
from command_line import lay_watch, low_orbit
from observed import Truth, doppler

from contactd.core.contacts.prediction import predict
from contactd.core.ground.station import Station
from contactd.core.instants import from_text, to_text
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.tle import format_tle

EARLY_S = 0.5
ELEMENTS = low_orbit()
NORDHAVN = Station("Nordhavn", 69.0, 18.0, least_elevation_deg=5.0)
NOW = from_text("2026-11-25T09:00:00Z")


class Ahead:
    """A truth that is always so much early, whatever the epoch."""

    def at(self, instants):
        return np.full(np.shape(instants), EARLY_S)


@pytest.fixture(scope="module")
def watch(tmp_path_factory):
    return lay_watch(tmp_path_factory.mktemp("orbit"))


def passes():
    table = predict([Sgp4Track(ELEMENTS)], [NORDHAVN], ELEMENTS.epoch, NOW)
    return [each for each in table if each.max_elevation_deg > 15.0 and each.aos > ELEMENTS.epoch]


def message(measured, name="LANTERN-3"):
    rows = [
        f"RECEIVE_FREQ_2 = {to_text(at, 6).removesuffix('Z')} {hz:.3f}"
        for at, hz in zip(map(float, measured.at), measured.values, strict=True)
    ]
    first = to_text(float(measured.at[0]), 6).removesuffix("Z")
    return "\n".join(
        ["CCSDS_TDM_VERS = 2.0", "CREATION_DATE = 2026-11-25T09:00:00", "ORIGINATOR = NORDHAVN",
         "META_START", "TIME_SYSTEM = UTC", f"PARTICIPANT_1 = {name}", "PARTICIPANT_2 = NORDHAVN",
         "MODE = SEQUENTIAL", "PATH = 1,2", "TIMETAG_REF = RECEIVE", "META_STOP", "DATA_START",
         f"TRANSMIT_FREQ_1 = {first} 437500000.0", *rows, "DATA_STOP"]
    )  # fmt: skip


def heard_in(contact, seed=5):
    random = np.random.default_rng(seed)
    track = Sgp4Track(ELEMENTS)
    return doppler(random, track, NORDHAVN, Ahead(), contact.aos, contact.los)


def test_what_stations_observe_is_recorded_learned_from_and_reviewed(watch):
    first, *_, last = passes()
    aos = to_text(last.aos + 4.0, 1)
    told = watch("record", "aos", "Lantern 3", "nordhavn", "--at", aos, "--error", "0.5s")
    assert told.code == 0, told.err
    assert "4.0 s later than the predicted AOS" in told.err
    assert "aos-observed" in told.out

    early = to_text(last.los + 90.0, 1)
    told = watch("record", "los", "Lantern 3", "Nordhavn", "--at", early)
    assert "No motion within the orbit error explains it" in told.err

    path = watch.folder / "heard.tdm"
    path.write_text(message(heard_in(first)))
    told = watch("record", "tracking", "Lantern 3", str(path), "--format", "json")
    assert told.code == 0, told.err
    (made,) = told.json
    assert made["record"]["kind"] == "offset-measured"
    assert made["record"]["body"]["problems"] == []
    assert made["record"]["body"]["offset_s"] == pytest.approx(EARLY_S, abs=0.3)

    (orbit,) = watch("orbit", "--target", "Lantern 3", "--format", "json").json
    assert (orbit["receptions"], orbit["measured"]) == (1, 1)
    assert [each["record"] for each in orbit["unused"]] == [2]
    learned = orbit["learned"]
    assert abs(learned["offset_now_s"] - EARLY_S) <= learned["bound_now_s"]
    assert learned["bound_s"] < orbit["bound_s"]
    shown = watch("orbit")
    assert "early ±" in shown.out
    assert "Record 2 does not count" in shown.out
    assert watch("orbit", "--format", "csv").csv[0]["target"] == "Heron 1"

    review = watch("review", "--from", "-9h", "--format", "json").json
    seen = [each for each in review["contacts"] if each["observed_aos"]]
    assert [each["aos_late_s"] for each in seen] == [pytest.approx(4.0, abs=0.2)]
    assert "AOS late" in watch("review", "--from", "-9h", COLUMNS="140").out


def test_observed_times_of_many_contacts_come_in_a_table_or_not_at_all(tmp_path):
    watch = lay_watch(tmp_path)
    table = tmp_path / "observed.csv"
    table.write_text(
        "station,target,aos,los,error,note\n"
        "nordhavn,lantern 3,2026-11-25T06:50:12.5Z,2026-11-25T06:58:30Z,0.5s,weak\n"
        "Kelp Bay,Lantern 3,,2026-11-25T08:31:00Z,,\n"
    )
    told = watch("record", "observed", str(table), "--key", "night", "--format", "csv")
    assert told.code == 0, told.err
    assert [(row["kind"], row["station"], row["error_s"]) for row in told.csv] == [
        ("aos-observed", "Nordhavn", "0.5"),
        ("los-observed", "Nordhavn", "0.5"),
        ("los-observed", "Kelp Bay", "0.5"),
    ]
    again = watch("record", "observed", str(table), "--key", "night", "--format", "csv")
    assert [row["number"] for row in again.csv] == [row["number"] for row in told.csv]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("Nordhavn,Lantern 3,yesterday,", ":3: aos: found 'yesterday'"),
        ("Nordhaven,Lantern 3,2026-11-25T06:50:12Z,", "Did you mean 'Nordhavn'?"),
        ("Nordhavn,Lantern 3,2026-11-25T19:50:12Z,", ":3: "),
        ("Nordhavn,Lantern 3,,", "an aos or a los"),
    ],
)
def test_a_table_with_a_wrong_row_is_refused_as_a_whole(tmp_path, row, said):
    watch = lay_watch(tmp_path)
    table = tmp_path / "observed.csv"
    table.write_text(f"station,target,aos,los\nNordhavn,Lantern 3,2026-11-25T06:50:12Z,\n{row}\n")
    told = watch("record", "observed", str(table))
    assert told.code == 1
    assert said in told.err
    assert f"{table}:3" in told.err
    assert "Nothing was recorded." in told.err
    assert not watch("orbit", "--target", "Lantern 3", "--format", "json").json[0]["receptions"]


def test_what_was_learned_is_adopted_by_statement_and_dropped_again(tmp_path):
    watch = lay_watch(tmp_path)
    asked = ("contacts", "--target", "Lantern 3", "--to", "+6h", "--format", "json")
    told = watch("record", "correction", "Lantern 3", "adopt")
    assert told.code == 2
    assert "Nothing to adopt: no observation counts." in told.err
    path = tmp_path / "heard.tdm"
    path.write_text(message(heard_in(passes()[-1])))
    assert watch("record", "tracking", "Lantern 3", str(path)).code == 0
    before = watch(*asked).json

    told = watch("record", "correction", "Lantern 3", "adopt", "--why", "two passes agree")
    assert told.code == 0, told.err
    assert "By 1 contact it runs 0." in told.err
    after = watch(*asked).json
    moved_s = [
        from_text(one["aos"]) - from_text(other["aos"])
        for one, other in zip(before, after, strict=True)
    ]
    assert np.median(moved_s) == pytest.approx(EARLY_S, abs=0.3)
    (orbit,) = watch("orbit", "--target", "Lantern 3", "--format", "json").json
    assert orbit["corrected"]
    assert "corrected by 1 contact" in watch("orbit").out

    assert watch("record", "correction", "Lantern 3", "drop").code == 0
    assert watch(*asked).json == before


def test_a_setting_adopts_it_with_each_observation(tmp_path):
    watch = lay_watch(tmp_path)
    watch.write("contactd.yaml", "elements: {adopt_corrections: true}\n")
    aos = to_text(passes()[-1].aos + 4.0, 1)
    assert watch("record", "aos", "Lantern 3", "nordhavn", "--at", aos).code == 0
    # Alone it improves nothing.
    assert not watch("orbit", "--target", "Lantern 3", "--format", "json").json[0]["corrected"]
    path = tmp_path / "heard.tdm"
    path.write_text(message(heard_in(passes()[-1])))
    assert watch("record", "tracking", "Lantern 3", str(path)).code == 0
    assert watch("orbit", "--target", "Lantern 3", "--format", "json").json[0]["corrected"]
    kept = watch("ledger", "show", "--format", "json").json
    by = [each["author"] for each in kept if each["kind"] == "motion-corrected"]
    assert by == ["contactd"]


def test_an_hours_old_message_of_another_station_is_refused_with_what_to_do(watch):
    path = watch.folder / "elsewhere.tdm"
    path.write_text(message(heard_in(passes()[0])).replace("NORDHAVN", "FARAWAY"))
    told = watch("record", "tracking", "Lantern 3", str(path))
    assert told.code == 1
    assert "Participant FARAWAY is no station of ours. Add --name FARAWAY=STATION." in told.err
    assert "Nothing was recorded." in told.err

    told = watch(
        "record", "tracking", "Lantern 3", str(path), "--name", "FARAWAY=Nordhavn", "--dry-run"
    )
    assert told.code == 0, told.err
    assert "Not recorded (dry run)" in told.out


def test_doppler_beyond_the_orbit_error_is_kept_and_does_not_count(watch):
    contact = passes()[0]
    random = np.random.default_rng(3)
    far = doppler(
        random, Sgp4Track(ELEMENTS), NORDHAVN, Truth(6.0, 0.0, 0.0), contact.aos, contact.los
    )
    path = watch.folder / "far.tdm"
    path.write_text(message(far))
    told = watch("record", "tracking", "Lantern 3", str(path), "--dry-run")
    assert told.code == 1
    assert "It is kept, and does not count." in told.err


def test_one_contact_tells_which_of_several_objects_it_was(watch, tmp_path):
    rate_deg_s = 360.0 * ELEMENTS.mean_motion_rev_per_day / 86_400.0
    elements = [
        replace(
            ELEMENTS,
            name=f"OBJECT {letter}",
            catalogue_number=91_000 + number,
            mean_anomaly_deg=(ELEMENTS.mean_anomaly_deg + number * 12.0 * rate_deg_s) % 360.0,
        )
        for number, letter in enumerate("ABC", start=-1)
    ]
    text = "\n".join("\n".join([each.name, *format_tle(each)]) for each in elements)
    among = tmp_path / "released.tle"
    among.write_text(text + "\n")
    mine = lay_watch(tmp_path / "mine")

    told = mine("identify", "Lantern 3", "--among", str(among))
    assert told.code == 2
    assert "Nothing was observed of Lantern 3" in told.err

    path = tmp_path / "heard.tdm"
    path.write_text(message(heard_in(passes()[0])))
    assert mine("record", "tracking", "Lantern 3", str(path)).code == 0

    told = mine("identify", "Lantern 3", "--among", str(among), "--error", "3s", "--format", "json")
    assert told.json["answer"] == "OBJECT B"
    assert (
        "It is OBJECT B (> 99.9 %)"
        in mine("identify", "Lantern 3", "--among", str(among), "--error", "3s").out
    )
    # Newly released objects may be tens of seconds off: then it cannot be told.
    told = mine("identify", "Lantern 3", "--among", str(among), "--format", "json")
    assert told.json["answer"] is None
    assert "Not decided" in mine("identify", "Lantern 3", "--among", str(among)).out
