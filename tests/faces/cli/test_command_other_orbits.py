"""Commands over satellites whose motion stands in an ephemeris, a state, or planned manoeuvres."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from command_line import NOW, Watch, lay_watch, low_orbit

from contactd.core import instants
from contactd.core.orbit.ephemeris import EphemerisTrack, Segment
from contactd.core.orbit.oem import format_oem
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import StateVector, to_frame
from contactd.core.orbit.tle import format_tle

AT = instants.from_text(NOW)
DAY_S = instants.DAY_S
GAP = (AT + 20_000.0, AT + 40_000.0)
MIRROR = ("--target", "Mirror")
TRACK = Sgp4Track(low_orbit())
TLE = "\n    ".join(format_tle(low_orbit()))


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    laid = lay_watch(tmp_path)
    laid.write("contactd.yaml", "horizon: {ahead: 1d}\n")
    return laid


def ephemeris(*spans: tuple[float, float]) -> str:
    segments = []
    for start, end in spans:
        at = np.append(np.arange(start, end, 60.0), end)
        segments.append(Segment(at, *TRACK.states(at), (start, end)))
    track = EphemerisTrack("MIRROR", tuple(segments))
    return format_oem(track, spans[0][0], spans[-1][1])


def mirror(watch: Watch, elements: str, more: str = "") -> None:
    watch.write("targets/mirror.yaml", f"name: Mirror\nelements:\n  {elements}\n{more}")


def seen(watch: Watch, name: str) -> list[tuple[str, float, float]]:
    found = watch("contacts", "--target", name, "--format", "json").json
    return [
        (each["station"], instants.from_text(each["aos"]), instants.from_text(each["los"]))
        for each in found
    ]


def test_an_ephemeris_gives_the_contacts_of_the_elements_it_was_made_from(watch: Watch) -> None:
    watch.write("targets/mirror.oem", ephemeris((AT - 3600.0, AT + 1.1 * DAY_S)))
    mirror(watch, "oem: mirror.oem")
    mine, theirs = seen(watch, "Mirror"), seen(watch, "Lantern 3")
    assert len(mine) > 10
    assert [each[0] for each in mine] == [each[0] for each in theirs]
    assert [t for each in mine for t in each[1:]] == pytest.approx(
        [t for each in theirs for t in each[1:]], abs=0.03
    )
    checked = watch("check")
    assert (checked.code, checked.err) == (0, "")
    assert "mirror.oem" in checked.out


def test_a_gap_and_an_early_end_are_said_and_no_contact_lies_in_them(watch: Watch) -> None:
    ends = AT + 60_000.0
    watch.write("targets/mirror.oem", ephemeris((AT - 3600.0, GAP[0]), (GAP[1], ends)))
    mirror(watch, "oem: mirror.oem")
    answer = watch("contacts", *MIRROR, "--format", "json")
    assert answer.code == 1
    assert answer.err.splitlines() == [
        "Mirror: its motion is not known from 2026-11-25 14:33:20Z to 20:06:40Z",
        "note: Mirror: its motion is known until 2026-11-26 01:40:00Z only",
    ]
    for each in answer.json:
        assert not (
            instants.from_text(each["aos"]) < GAP[1] and instants.from_text(each["los"]) > GAP[0]
        ) or each["cut_at_start"] or each["cut_at_end"]  # fmt: skip
        assert instants.from_text(each["los"]) <= ends + 1e-3
    forecast = watch("forecast", *MIRROR)
    assert "no prediction 2026-11-25 14:33:20Z to 20:06:40Z" in forecast.err


def test_a_state_alone_gives_contacts_and_pointing(watch: Watch) -> None:
    position, velocity = TRACK.states(np.array([AT]))
    state = StateVector(AT, tuple(position[0].tolist()), tuple(velocity[0].tolist()))
    place, speed = to_frame(state, "EME2000")
    mirror(
        watch,
        f"state: {{epoch: {NOW}, frame: EME2000, position_km: {[round(p, 6) for p in place]},\n"
        f"    velocity_km_s: {[round(v, 9) for v in speed]}}}",
        "links: [{name: beacon, direction: down, frequency_mhz: 437.5, turnaround: 1.1}]\n",
    )
    mine, theirs = seen(watch, "Mirror"), seen(watch, "Lantern 3")
    # Within the first revolutions SGP4 and the integrator differ by little.
    for (one, aos, _), (other, same, _) in zip(mine[:4], theirs[:4], strict=True):
        assert one == other
        assert aos == pytest.approx(same, abs=2.0)
    [table] = watch("contacts", *MIRROR, "--pointing", "--format", "json").json
    row = table["rows"][0]
    light_km_s = 299_792.458
    assert row["light_time_s"] == pytest.approx(row["range_km"] / light_km_s, abs=1e-7)
    # Sources: ITU-R SA.1014 for the first order; the denominator is check_values, section 4.
    beta = row["range_rate_km_s"] / light_km_s
    assert row["beacon_doppler_hz"] == pytest.approx(-437.5e6 * beta / (1 + beta), abs=0.01)
    assert "beacon_two_way_hz" in row
    shown = watch("contacts", *MIRROR, "--pointing", "--every", "1min", COLUMNS="80")
    assert "Tune beacon" in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80


def test_manoeuvres_that_may_go_otherwise_are_said(watch: Watch) -> None:
    mirror(
        watch,
        f"tle: |\n    {TLE}",
        "manoeuvres: [{at: 2026-11-25T12:00:00Z, delta_v_m_s: [0, 5, 0], give_or_take: 1min}]\n",
    )
    answer = watch("contacts", *MIRROR, "--format", "json")
    assert answer.code == 0
    assert answer.err == (
        "note: Mirror: from 2026-11-25 11:59:00Z on contacts depend on how a planned manoeuvre "
        "goes; they are shown as planned\n"
    )
    mine, theirs = seen(watch, "Mirror"), seen(watch, "Lantern 3")
    pushed = instants.from_text("2026-11-25T12:00:00Z")
    before = [(a, b) for a, b in zip(mine, theirs, strict=False) if a[2] < pushed]
    assert before
    for one, other in before:
        assert one[1:] == pytest.approx(other[1:], abs=0.01)
    assert abs(mine[-1][1] - theirs[-1][1]) > 20.0


def test_the_check_names_the_forces_on_a_state_and_which_are_left_out(watch: Watch) -> None:
    state = (
        "state: {epoch: 2026-11-25T00:00:00Z, frame: ITRF, position_km: [6900, 0, 0],\n"
        "    velocity_km_s: [0, 3.5, 6.2]}\n"
    )
    mirror(watch, f"{state}spacecraft: {{mass_kg: 9, radiation_area_m2: 0.5}}")
    out = " ".join(watch("check").out.split())
    forces = "EGM2008 to degree 20, Sun, Moon, sunlight on 0.5 m²; without air"
    assert f"Mirror is propagated numerically: {forces}." in out
    told = {
        each["name"]: each["forces"] for each in watch("check", "--format", "json").json["targets"]
    }
    assert told.pop("Mirror") == forces
    assert set(told.values()) == {None}


def test_a_state_that_is_too_old_is_a_caution_of_the_check(watch: Watch) -> None:
    mirror(
        watch,
        "state: {epoch: 2026-08-01T00:00:00Z, frame: ITRF, position_km: [6900, 0, 0],\n"
        "    velocity_km_s: [0, 3.5, 6.2]}",
    )
    answer = watch("check")
    assert answer.code == 0
    out = " ".join(answer.out.split())
    assert "Mirror: the state is 116 d 9 h from its epoch" in out
    assert "its state of 2026-08-01T00:00:00Z is too old" in out
