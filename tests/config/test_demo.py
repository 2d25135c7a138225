"""The demo shows what it is there to show, whatever the moment it is made for."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from contactd.config import demo, load
from contactd.config.sections import Section
from contactd.config.settings import CHANNELS, Settings
from contactd.core import instants
from contactd.core.instants import DAY_S
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import look_ahead
from contactd.core.sequences.model import Covered, StepForecast, StepStatus

SHIPPED = Path(__file__).parents[2] / "config"
MOMENTS = [random.Random(seed).uniform(1.70e9, 2.4e9) for seed in range(20)]
# Oddities: the first minute of a day, its last, a leap day, the turn of a year.
ODD_MOMENTS = [
    "2026-11-25T00:00:00Z",
    "2026-11-25T23:59:59Z",
    "2028-02-29T12:00:00Z",
    "2026-12-31T23:30:00Z",
    "2027-01-01T00:00:30Z",
]
INSTANTS = [instants.from_unix(moment) for moment in MOMENTS]
INSTANTS += [instants.from_text(text) for text in ODD_MOMENTS]


def outlook_of(folder: Path, name: str, now: float) -> TargetOutlook:
    configuration = load(folder, around=now)
    span = (now - DAY_S, now + 7 * DAY_S)
    return look_ahead(
        configuration.targets[name], list(configuration.stations.values()), {}, span, now
    )


def steps_of(outlook: TargetOutlook, sequence: str) -> dict[str, StepForecast]:
    found = next(each for each in outlook.forecasts if each.sequence == sequence)
    return {step.step: step for step in found.steps}


@pytest.mark.parametrize("now", INSTANTS, ids=instants.to_text)
def test_one_step_is_out_of_view_and_the_others_are_served(now: float, tmp_path: Path) -> None:
    demo.write_demo(tmp_path, now)
    outlook = outlook_of(tmp_path, "Lantern 3", now)
    assert outlook.problem is None
    steps = steps_of(outlook, "wake-up")
    assert {name: step.status for name, step in steps.items()} == {
        "heater on": StepStatus.EXPIRED,
        "receiver on": StepStatus.RUNNING,
        "antenna release": StepStatus.RUNNING,
        "beacon on": StepStatus.RUNNING,
    }
    assert {name: step.coverage for name, step in steps.items()} == {
        "heater on": None,
        "receiver on": Covered.COVERED,
        "antenna release": Covered.COVERED,
        "beacon on": Covered.UNCOVERED,
    }
    hazard = steps["antenna release"]
    assert hazard.stop_possible
    assert hazard.stop_by is not None
    assert hazard.earliest is not None
    assert now < hazard.stop_by < hazard.earliest
    assert hazard.keep_clear is not None
    assert hazard.keep_clear[0] > now
    assert not hazard.people_in_danger
    assert steps["receiver on"].nominal is not None
    assert steps["receiver on"].nominal < now + DAY_S


@pytest.mark.parametrize("now", INSTANTS[:5], ids=instants.to_text)
def test_both_targets_have_contacts_within_a_day(now: float, tmp_path: Path) -> None:
    demo.write_demo(tmp_path, now)
    for name in ("Lantern 3", "Pale Heron"):
        contacts = outlook_of(tmp_path, name, now).contacts
        assert any(now < contact.aos < now + DAY_S for contact in contacts)


def test_every_station_sees_something_within_three_days(tmp_path: Path) -> None:
    now = INSTANTS[0]
    demo.write_demo(tmp_path, now)
    contacts = outlook_of(tmp_path, "Lantern 3", now).contacts
    soon = {contact.station for contact in contacts if now < contact.aos < now + 3 * DAY_S}
    assert soon == {"Skerry Head", "Mesa Roja", "Greywater", "Ile Cendre"}


def test_the_same_minute_gives_the_same_files() -> None:
    first = instants.from_text("2026-11-25T10:17:03Z")
    assert demo.demo_files(first) == demo.demo_files(first + 56.0)
    assert demo.demo_files(first) != demo.demo_files(first + 57.0)


def test_elements_are_less_than_a_day_old(tmp_path: Path) -> None:
    now = INSTANTS[3]
    demo.write_demo(tmp_path, now)
    for target in load(tmp_path).targets.values():
        assert 0 <= now - target.elements[0].epoch < DAY_S


def test_each_days_elements_carry_the_orbit_on(tmp_path: Path) -> None:
    """A day later the new elements put the satellite where the old ones do, to 5 km.

    The rest is drag and the short-periodic terms that the secular rates leave out.
    """
    import numpy as np

    from contactd.core.orbit.sgp4_track import Sgp4Track

    now = instants.from_text("2026-11-25T00:00:00Z")
    places = []
    for day in (0, 1):
        demo.write_demo(tmp_path, now + day * DAY_S)
        elements = load(tmp_path).targets["Lantern 3"].elements[0]
        track = Sgp4Track(elements, "Lantern 3")
        places.append(track.states(np.array([now + DAY_S]))[0][0])
    assert np.linalg.norm(places[1] - places[0]) < 5.0


def test_the_node_moves_as_the_handbook_says() -> None:
    """Node rate for 700 km, 51.6 degrees: -4.298743 deg/day (check_values, section 5: arithmetic).

    The semi-major axis there is 7078.137 km, hence the mean motion; WGS 84 and WGS 72 constants
    and the eccentricity of 0 make up the rest of the tolerance.
    """
    mean_motion = DAY_S / 5926.37907
    orbit = demo._Orbit("X", 1, "2000-001A", mean_motion, 0.0, 51.6, 0.0, 0.0, 0.0, 0.0)
    assert orbit._rates_deg_per_day()[0] == pytest.approx(-4.298743, abs=2e-3)


def test_writing_replaces_whole_files_and_leaves_nothing_else(tmp_path: Path) -> None:
    demo.write_demo(tmp_path, INSTANTS[0])
    demo.write_demo(tmp_path, INSTANTS[1])
    written = {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()}
    assert written == set(demo.demo_files(INSTANTS[1]))
    assert not load(tmp_path).notices


def test_the_shipped_configuration_is_the_generators_output() -> None:
    settings = (SHIPPED / "contactd.yaml").read_text(encoding="utf-8")
    made = re.search(r"made for (\S+) by", settings)
    assert made is not None
    expected = demo.demo_files(instants.from_text(made[1]))
    for name, text in expected.items():
        assert (SHIPPED / name).read_text(encoding="utf-8") == text, name
    assert load(SHIPPED).targets.keys() == {"Lantern 3", "Pale Heron"}


def keys_of(section: type[Section]) -> Iterator[str]:
    for name, known in section.model_fields.items():
        yield known.alias or name
        if isinstance(known.annotation, type) and issubclass(known.annotation, Section):
            yield from keys_of(known.annotation)


def test_every_setting_is_shown_in_the_demo() -> None:
    text = demo.demo_files(INSTANTS[0])["contactd.yaml"]
    sections = [Settings, *CHANNELS.values()]
    wanted = {key for section in sections for key in keys_of(section)}
    assert {key for key in wanted if not re.search(rf"\b{key}:", text)} == set()


def test_the_settings_shown_are_the_defaults(tmp_path: Path) -> None:
    demo.write_demo(tmp_path, INSTANTS[0])
    shown = load(tmp_path).settings
    (tmp_path / "contactd.yaml").unlink()
    assert shown == load(tmp_path).settings
