"""Orbits of every kind, manoeuvres, links and mounts, from the files to the heart's values."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from contactd.config import demo_texts, load
from contactd.core.errors import InputErrors
from contactd.core.ground.atmosphere import Atmosphere
from contactd.core.ground.links import AntennaPattern, Attitude, Direction, Link
from contactd.core.ground.station import AntennaLimits, ServiceTerms
from contactd.core.instants import from_text
from contactd.core.orbit import parse_omm
from contactd.core.orbit.manoeuvres import Manoeuvre
from contactd.core.orbit.opm import OrbitParameters, format_opm
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import Spacecraft, StateVector, kepler_from_state, to_frame
from contactd.core.planning import Target

DATA = Path(__file__).parents[1] / "reference" / "data"
OEM, OMM = (DATA / "S03.oem").read_text(), (DATA / "S03.omm").read_text()
AT = from_text("2024-03-09T00:20:00Z")
STATION = """\
name: Skerry Head
latitude_deg: 62.31
longitude_deg: -7.12
services: {telemetry: {}, command: {}}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("stations", "targets"):
        (tmp_path / name).mkdir()
    (tmp_path / "stations" / "skerry-head.yaml").write_text(STATION)
    return tmp_path


def target(folder: Path, text: str) -> Target:
    (folder / "targets" / "lantern-3.yaml").write_text(f"name: Lantern 3\n{text}")
    return load(folder).targets["Lantern 3"]


def place(made: Target, at: float = AT) -> np.ndarray:
    track = made.track(at, (at - 60.0, at + 60.0))
    assert track is not None
    return track.states(np.array([at]))[0][0]


def indented(text: str, by: int = 4) -> str:
    return "".join(f"{' ' * by}{line}\n" for line in text.splitlines())


def mean_state(at: float = AT) -> StateVector:
    position, velocity = Sgp4Track(parse_omm(OMM)[0]).states(np.array([at]))
    return StateVector(at, tuple(position[0].tolist()), tuple(velocity[0].tolist()))


def written(vector: tuple[float, ...]) -> str:
    return "[" + ", ".join(f"{part:.9f}" for part in vector) + "]"


@pytest.mark.parametrize("inline", [True, False])
def test_an_ephemeris_may_stand_in_a_file_or_in_the_targets_own(folder: Path, inline: bool) -> None:
    (folder / "targets" / "lantern-3.oem").write_text(OEM)
    text = f"elements:\n  oem: |\n{indented(OEM)}" if inline else "elements: {oem: lantern-3.oem}\n"
    made = target(folder, text)
    assert made.ephemeris is not None
    assert made.elements == ()
    assert made.elements_source == ("the target's file" if inline else "lantern-3.oem")
    assert place(made) == pytest.approx(np.array(mean_state().position_km), abs=1e-3)


def test_an_ephemeris_is_not_stale_while_it_may_be_used(folder: Path) -> None:
    (folder / "targets" / "lantern-3.oem").write_text(OEM)
    (folder / "contactd.yaml").write_text("elements: {stale_after: 60s}\n")
    assert target(folder, "elements: {oem: lantern-3.oem}\n").stale_after_s == 2400.0
    own = "elements: {oem: lantern-3.oem, stale_after: 20min}\n"
    assert target(folder, own).stale_after_s == 1200.0


def test_a_changed_ephemeris_file_is_read_again(folder: Path) -> None:
    path = folder / "targets" / "lantern-3.oem"
    path.write_text(OEM)
    (folder / "targets" / "lantern-3.yaml").write_text("name: L\nelements: {oem: lantern-3.oem}\n")
    first = load(folder)
    assert path in first.files
    path.write_text(OEM.replace("-2374.111558", "-2374.211558"))
    second = load(folder, earlier=first)
    assert second.targets["L"].ephemeris != first.targets["L"].ephemeris
    assert load(folder, earlier=second).targets["L"] is second.targets["L"]


@pytest.mark.parametrize("frame", ["ITRF", "ITRF2020", "EME2000", "J2000", "GCRF", "TEME"])
def test_a_state_in_any_frame_is_one_place(folder: Path, frame: str) -> None:
    known = {"ITRF2020": "ITRF", "J2000": "EME2000"}.get(frame, frame)
    position, velocity = to_frame(mean_state(), known)
    made = target(
        folder,
        "elements:\n  state:\n    epoch: 2024-03-09T00:20:00Z\n"
        f"    frame: {frame}\n    position_km: {written(position)}\n"
        f"    velocity_km_s: {written(velocity)}\n  timing_error: {{at_epoch: 2s}}\n",
    )
    assert made.state is not None
    assert made.state.position_km == pytest.approx(mean_state().position_km, abs=1e-6)
    assert made.state.velocity_km_s == pytest.approx(mean_state().velocity_km_s, abs=1e-7)
    assert made.stated_error.at_epoch_s == 2.0
    assert made.elements_source == "the target's file"


def test_osculating_elements_by_either_anomaly_are_one_place(folder: Path) -> None:
    found = kepler_from_state(mean_state())
    e, mean = found.eccentricity, np.radians(found.mean_anomaly_deg)
    # Kepler's equation by plain iteration, then the half-angle form of the true anomaly.
    eccentric = mean
    for _ in range(100):
        eccentric = mean + e * np.sin(eccentric)
    true = 2 * np.arctan2(
        np.sqrt(1 + e) * np.sin(eccentric / 2), np.sqrt(1 - e) * np.cos(eccentric / 2)
    )
    for anomaly in (
        f"mean_anomaly_deg: {found.mean_anomaly_deg:.12f}",
        f"true_anomaly_deg: {np.degrees(true):.12f}",
    ):
        made = target(
            folder,
            "elements:\n  kepler:\n    epoch: 2024-03-09T00:20:00Z\n    frame: TEME\n"
            f"    semi_major_axis_km: {found.semi_major_axis_km:.9f}\n"
            f"    eccentricity: {e:.15f}\n    inclination_deg: {found.inclination_deg:.12f}\n"
            f"    raan_deg: {found.raan_deg:.12f}\n    {anomaly}\n"
            f"    argument_of_perigee_deg: {found.argument_of_perigee_deg:.12f}\n",
        )
        assert made.state is not None
        assert made.state.position_km == pytest.approx(mean_state().position_km, abs=1e-5)


PUSH = "manoeuvres:\n  - {at: 2024-03-10T00:00:00Z, delta_v_m_s: [0, 3, 0]}\n"


def test_an_opm_brings_state_spacecraft_and_manoeuvres(folder: Path) -> None:
    planned = Manoeuvre(AT + 86_400.0, (1.0, 2.0, 3.0))
    craft = Spacecraft(120.0, 0.8, 2.3)
    opm = format_opm(OrbitParameters("LANTERN 3", "2021-304C", mean_state(), craft, (planned,)))
    (folder / "targets" / "lantern-3.opm").write_text(opm)
    made = target(folder, "elements: {opm: lantern-3.opm}\n")
    assert made.state is not None
    assert made.state.position_km == pytest.approx(mean_state().position_km, abs=1e-6)
    assert made.spacecraft == craft
    assert [each.at for each in made.manoeuvres] == pytest.approx([planned.at], abs=1e-5)
    other = target(folder, f"elements: {{opm: lantern-3.opm}}\nspacecraft: {{mass_kg: 90}}\n{PUSH}")
    assert other.spacecraft == Spacecraft(mass_kg=90.0)
    assert [each.delta_v_m_s for each in other.manoeuvres] == [(0.0, 3.0, 0.0)]
    (notice,) = [each for each in load(folder).notices if each.key]
    assert str(notice).endswith(
        "manoeuvres: these are planned in place of the manoeuvre in lantern-3.opm"
    )


def test_manoeuvres_go_with_elements_and_carry_their_bounds(folder: Path) -> None:
    made = target(
        folder,
        f"elements:\n  omm: |\n{indented(OMM)}"
        "spacecraft: {mass_kg: 120, drag_area_m2: 0.8, drag_coefficient: 2.1, density_factor: 3}\n"
        "manoeuvres:\n"
        "  - {at: 2024-03-10T00:00:00Z, delta_v_m_s: [0, 3, 0], frame: TNW, give_or_take: 60s,\n"
        "     magnitude_error_percent: 5, may_not_happen: true}\n"
        "  - {at: 2024-03-11T00:00:00Z, delta_v_m_s: [0.5, 0, 0]}\n",
    )
    assert made.spacecraft == Spacecraft(120.0, 0.8, 2.1, 3.0)
    assert made.manoeuvres == (
        Manoeuvre(
            from_text("2024-03-10T00:00:00Z"), (0.0, 3.0, 0.0), "TNW", 60.0, 0.05,
            may_not_happen=True,
        ),
        Manoeuvre(from_text("2024-03-11T00:00:00Z"), (0.5, 0.0, 0.0)),
    )  # fmt: skip
    assert len(made.elements) == 1


def test_every_key_of_a_link_reaches_the_heart(folder: Path) -> None:
    made = target(
        folder,
        f"elements:\n  omm: |\n{indented(OMM)}"
        "links:\n"
        "  - {name: telemetry, direction: down, frequency_mhz: 2245.5, power_dbw: -3,\n"
        "     antenna: {attitude: station, pattern: [[0, 6], [60, 0], [180, -12]]},\n"
        "     line_loss_db: 1, station_gain_dbi: 30, noise_temperature_k: 300,\n"
        "     bit_rate_bps: 100000,\n"
        "     required_eb_n0_db: 9.7, other_losses_db: 2, required_margin_db: 4,\n"
        "     turnaround: 240/221}\n"
        "  - {name: beacon, direction: up, frequency_mhz: 437.5}\n",
    )
    assert made.links == (
        Link(
            "telemetry", Direction.DOWN, 2245.5e6, -3.0, 1.0,
            AntennaPattern(((0.0, 6.0), (60.0, 0.0), (180.0, -12.0))), Attitude.STATION,
            30.0, 300.0, 1e5, 9.7, 2.0, 4.0, 240 / 221,
        ),
        Link("beacon", Direction.UP, 437.5e6),
    )  # fmt: skip


def test_attenuation_is_asked_for_by_two_figures(folder: Path) -> None:
    pytest.importorskip("itur")
    made = target(
        folder,
        f"elements:\n  omm: |\n{indented(OMM)}"
        "links:\n  - {name: t, direction: down, frequency_mhz: 8200,\n"
        "     atmosphere: {exceeded_percent: 0.5, antenna_diameter_m: 3.7}}\n",
    )
    assert made.links[0].atmosphere == Atmosphere(0.5, 3.7)


def test_without_its_package_the_atmosphere_is_refused_in_the_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "itur", None)
    with pytest.raises(InputErrors) as caught:
        target(
            folder,
            f"elements:\n  omm: |\n{indented(OMM)}"
            "links:\n  - {name: t, direction: down, frequency_mhz: 8200, atmosphere: {}}\n",
        )
    assert "install contactd[link]" in str(caught.value)


def test_mounts_sun_and_links_of_a_station_reach_the_heart(folder: Path) -> None:
    (folder / "stations" / "long-sound.yaml").write_text(
        "name: Long Sound\nlatitude_deg: -43.5\nlongitude_deg: 172.6\n"
        "antenna: {highest_elevation_deg: 88, azimuth_rate_deg_s: 4, elevation_rate_deg_s: 2,\n"
        "  half_beam_deg: 0.5}\nsun_exclusion_deg: 2.5\n"
        "services: {telemetry: {least_elevation_deg: 6, link: s-band}, command: {}}\n"
    )
    configuration = load(folder)
    station = configuration.stations["Long Sound"]
    assert station.antenna == AntennaLimits(88.0, 4.0, 2.0, 0.5)
    assert station.sun_exclusion_deg == 2.5
    assert station.services["telemetry"] == ServiceTerms(6.0, link="s-band")
    assert station.services["command"].link == ""
    assert configuration.stations["Skerry Head"].antenna.limits_nothing
    # There are no targets yet that could have the link.
    assert not [each for each in configuration.notices if each.key]
    target(folder, f"elements:\n  omm: |\n{indented(OMM)}")
    (notice,) = load(folder).notices
    assert str(notice).endswith(
        "long-sound.yaml:7:54: services.telemetry.link: no target has a link of this name: no "
        "link is looked at"
    )


def shown_in_remarks(text: str) -> str:
    """The text with what it shows in remarks, but not what it says in them."""
    return re.sub(r"^(\s*)# ((?:\w+:|  ).*)$", r"\1\2", text, flags=re.M)


@pytest.mark.parametrize("source", ["tle", "url", "oem", "opm", "kepler", "state"])
def test_what_the_demo_shows_in_remarks_can_be_used(folder: Path, source: str) -> None:
    text = demo_texts.PALE_HERON.replace("$", "")
    (folder / "targets" / "pale-heron.oem").write_text(OEM)
    opm = format_opm(OrbitParameters("PALE HERON", "2023-311A", mean_state()))
    (folder / "targets" / "pale-heron.opm").write_text(opm)
    elements = Sgp4Track(parse_omm(OMM)[0]).elements
    from contactd.core.orbit import format_tle

    (folder / "targets" / "pale-heron.tle").write_text("\n".join(format_tle(elements)))
    lines = shown_in_remarks(text).splitlines()
    kept, keep = [], True
    for line in lines:
        key = re.match(r"  (\w+):", line)
        if key:
            keep = key[1] == source or key[1] not in ("omm", "tle", "url", "oem", "opm", "kepler",
                                                      "state")  # fmt: skip
        elif not line.startswith("    "):
            keep = True
        if keep:
            kept.append(line)
    body = "\n".join(kept) + "\n"
    if source == "oem":
        body = re.sub(r"^(spacecraft|manoeuvres):.*\n(  .*\n)*", "", body, flags=re.M)
    assert "spacecraft:" in body or source == "oem"
    (folder / "targets" / "pale-heron.yaml").write_text(body)
    made = load(folder).targets["Pale Heron"]
    assert (made.epoch(AT) is not None) == (source != "url")
    assert len(made.manoeuvres) == (0 if source == "oem" else 1)
