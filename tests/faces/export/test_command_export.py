"""``contactd export …``, run as a real process."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import vobject
from command_line import NOW, Watch, lay_watch, low_orbit, target_text

from contactd.core.instants import from_text, from_utc
from contactd.core.orbit import parse_omm, parse_tle
from contactd.core.orbit.oem import parse_oem
from contactd.core.orbit.sgp4_track import Sgp4Track


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return lay_watch(tmp_path)


def events(text: str) -> list:
    return vobject.readOne(text).contents.get("vevent", [])


def test_the_calendar_holds_the_contacts_that_the_command_lists(watch: Watch) -> None:
    span = ("--target", "Lantern 3", "--to", "+1d")
    listed = watch("contacts", *span, "--format", "json").json
    published = events(watch("export", "calendar", *span).out)
    assert [(each.location.value, from_utc(each.dtstart.value)) for each in published] == [
        (each["station"], math.floor(from_text(each["aos"]))) for each in listed
    ]


def test_a_calendar_that_is_carried_on_follows_the_elements(watch: Watch) -> None:
    path = watch.folder / "watch.ics"
    arguments = ("export", "calendar", "--target", "Lantern 3", "--update", str(path))
    answer = watch(*arguments)
    assert answer.code == 0
    assert answer.out == ""
    assert f"events in {path}" in answer.err
    first = path.read_bytes()
    assert watch(*arguments).code == 0
    assert path.read_bytes() == first

    later = low_orbit().__class__(**{
        **{name: getattr(low_orbit(), name) for name in low_orbit().__slots__},
        "mean_anomaly_deg": 270.5,
    })  # fmt: skip
    watch.write("targets/lantern-3.yaml", target_text(later))
    assert watch(*arguments).code == 0
    before = {each.uid.value: each for each in events(first.decode())}
    after = {each.uid.value: each for each in events(path.read_text())}
    # Half a degree along the track is 8 s of 96 min: the same events, each a little earlier.
    moved = [uid for uid in before if uid in after and after[uid].sequence.value == "1"]
    assert len(moved) > 0.8 * len(before)
    for uid in moved:
        if after[uid].status.value == "CONFIRMED":
            shift_s = from_utc(after[uid].dtstart.value) - from_utc(before[uid].dtstart.value)
            assert -60 < shift_s < 30

    answer = watch("export", "calendar", "--target", "Lantern 3", "--station", "Mirador",
                   "--update", str(path))  # fmt: skip
    assert answer.code == 0
    locations = {each.location.value for each in events(path.read_text())}
    assert len(locations) == 4
    assert [path.name for path in watch.folder.iterdir() if path.name.startswith(".")] == []


def test_steps_are_included_on_request(watch: Watch) -> None:
    plain = watch("export", "calendar").out
    assert "keep-clear" not in plain
    asked = watch(
        "export", "calendar", "--include", "step", "--include", "window", now="2026-11-25T07:00:00Z"
    ).out
    kinds = {each.categories.value[0] for each in events(asked)}
    assert kinds == {"window", "step", "start", "stop-chance", "keep-clear"}


@pytest.mark.parametrize("form", ["kvn", "xml", "json"])
def test_exported_elements_are_the_ones_that_were_configured(watch: Watch, form: str) -> None:
    text = watch("export", "elements", "lantern 3", "--format", form).out
    [read] = parse_omm(text)
    [wanted] = parse_tle((watch("export", "elements", "Lantern 3", "--format", "tle")).out)
    at = from_text(NOW) + np.arange(0, 86_400, 3600.0)
    assert np.abs(Sgp4Track(read).states(at)[0] - Sgp4Track(wanted).states(at)[0]).max() < 1e-6
    assert "Lantern 3" in text


@pytest.mark.parametrize("form", ["kvn", "xml"])
def test_an_exported_ephemeris_is_the_motion_that_is_predicted_from(
    watch: Watch, form: str
) -> None:
    path = watch.folder / "lantern.oem"
    answer = watch(
        "export", "ephemeris", "Lantern 3", "--to", "+3h", "--format", form, "--output", str(path)
    )
    assert (answer.code, answer.out) == (0, "")
    track = parse_oem(path.read_bytes())
    at = from_text(NOW) + np.arange(30, 10_800, 60.0)
    [elements] = parse_tle(watch("export", "elements", "Lantern 3", "--format", "tle").out)
    ours = Sgp4Track(elements).states(at)[0]
    # The element set's text is printed to eight digits; between its states, Hermite's degree 7
    # reproduces SGP4 to 1.5e-5 km (tests/reference/data: S03.oem).
    assert np.abs(track.states(at)[0] - ours).max() < 1e-3


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["calendar", "--update", "a.ics", "--output", "b.ics"], 2, "expected one of them"),
        (["calendar", "--to", "-1h"], 2, "is not after --from"),
        (["elements", "Lantem 3"], 2, "Did you mean 'Lantern 3'?"),
        (["ephemeris", "Lantern 3", "--every", "0s"], 2, "--every is zero"),
        (["ephemeris", "Lantern 3", "--every", "1ms"], 2, "too many"),
        (["elements", "Lantern 3", "--output", "/nowhere/x.omm"], 1, "expected a file that can be"),
    ],
)
def test_what_cannot_be_exported_is_told(
    watch: Watch, arguments: list[str], code: int, message: str
) -> None:
    answer = watch("export", *arguments)
    assert (answer.code, answer.out) == (code, "")
    assert message in " ".join(answer.err.split())
    assert "Traceback" not in answer.err


def test_a_file_that_is_no_calendar_is_not_overwritten(watch: Watch) -> None:
    path = watch.folder / "notes.txt"
    path.write_text("call Ida at nine\n")
    answer = watch("export", "calendar", "--update", str(path))
    assert answer.code in (1, 2)
    assert "expected a calendar that contactd wrote" in answer.err
    assert path.read_text() == "call Ida at nine\n"
