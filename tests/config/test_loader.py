"""The folder is read as a whole: all of it, or every error in it."""

from __future__ import annotations

import copy
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from contactd.config import Configuration, examine, load
from contactd.config.error_locations import MOST_ERRORS_PER_FILE
from contactd.config.loader import state_folder
from contactd.config.settings import ROUTINE
from contactd.config.yaml12 import parse
from contactd.core import instants
from contactd.core.errors import InputErrors
from contactd.core.ground.station import ServiceTerms
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.sequences.model import (
    Clock,
    Delay,
    KeepClear,
    Need,
    Setting,
    Start,
    StartStatus,
    Step,
    StopRule,
)

# An invented satellite; checksums by the rule of the format.
TLE = """\
LANTERN 3
1 90103U 21304C   26329.00000000  .00000000  00000-0  24000-4 0  3281
2 90103  68.3000   4.8143 0011000  63.6881  70.1000 14.72000000 48280
"""
# The example of the design, with its elements in the file.
TARGET = """\
name: Lantern 3
elements:
  tle: |
    LANTERN 3
    1 90103U 21304C   26329.00000000  .00000000  00000-0  24000-4 0  3281
    2 90103  68.3000   4.8143 0011000  63.6881  70.1000 14.72000000 48280
  timing_error: {at_epoch: 0.2s, per_day: 1.5s}
  stale_after: 3d
sequences:
  - name: wake-up
    start:
      status: expected
      not_before: 2026-12-03T08:00:00Z
      not_after: 2026-12-03T20:00:00Z
      give_or_take: 30s
    clock: {rate_error_ppm: 50}
    people_near: [{from: 2026-12-03T08:00:00Z, to: 2026-12-03T14:30:00Z}]
    steps:
      - name: receiver on
        after: start
        delay: {setting: {from: 2h, to: 99h 50min, resolution: 10min}}
        needs: {service: telemetry, before: 1min, after: 3min}
      - name: antenna release
        after: receiver on
        delay: 2min
        hazard: deployment
        keep_clear: {before: 2min, after: 10min}
        stop: {lead: 60s, takes_effect_in: 20s}
        needs: {service: command, before: 30s, after: 2min}
"""
STATION = """\
name: Skerry Head
latitude_deg: 62.31
longitude_deg: 352.88
altitude_m: 84
least_elevation_deg: 2
mask: [[40, 3], [110, 11], [200, 2], [360, 4]]
services:
  command: {least_elevation_deg: 10, acquisition: 20s, guard: 10s}
  telemetry: {}
outages: [{from: 2026-12-05T06:00:00Z, to: 2026-12-05T14:00:00Z, why: new gearbox}]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    config = tmp_path / "config"
    write(config / "stations" / "skerry-head.yaml", STATION)
    write(config / "targets" / "lantern-3.yaml", TARGET)
    return config


def write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def at(text: str) -> float:
    return instants.from_text(text)


def errors_of(folder: Path) -> list[str]:
    with pytest.raises(InputErrors) as caught:
        load(folder)
    return [str(error).replace(str(folder), "config") for error in caught.value.errors]


def test_a_target_is_built_as_its_file_says(folder: Path) -> None:
    target = load(folder).targets["Lantern 3"]
    assert target.elements[0].catalogue_number == 90103
    assert target.elements_source == "the target's file"
    assert target.stated_error == OrbitError(0.2, 1.5)
    assert target.stale_after_s == 3 * 86_400.0
    (sequence,) = target.sequences
    assert (sequence.target, sequence.name) == ("Lantern 3", "wake-up")
    assert sequence.start == Start(
        StartStatus.EXPECTED,
        earliest=at("2026-12-03T08:00:00Z"),
        latest=at("2026-12-03T20:00:00Z"),
        give_or_take_s=30.0,
    )
    assert sequence.clock == Clock(rate_error_ppm=50.0)
    assert list(sequence.people_near) == [(at("2026-12-03T08:00:00Z"), at("2026-12-03T14:30:00Z"))]
    assert sequence.steps == (
        Step(
            name="receiver on",
            delay=Delay(setting=Setting(7200.0, 359_400.0, 600.0)),
            needs=(Need("telemetry", 60.0, 180.0),),
        ),
        Step(
            name="antenna release",
            delay=Delay(120.0),
            after=("receiver on",),
            needs=(Need("command", 30.0, 120.0),),
            hazard="deployment",
            keep_clear=KeepClear(120.0, 600.0),
            stop=StopRule(60.0, 20.0),
        ),
    )


def test_a_station_is_built_as_its_file_says(folder: Path) -> None:
    station = load(folder).stations["Skerry Head"]
    assert station.latitude_deg == 62.31
    assert station.longitude_deg == pytest.approx(-7.12)
    assert station.altitude_m == 84
    assert station.mask == ((0.0, 4.0), (40.0, 3.0), (110.0, 11.0), (200.0, 2.0))
    assert station.services == {
        "command": ServiceTerms(10.0, 20.0, 10.0),
        "telemetry": ServiceTerms(),
    }
    assert list(station.outages) == [(at("2026-12-05T06:00:00Z"), at("2026-12-05T14:00:00Z"))]


def test_every_key_of_a_step_reaches_the_model(folder: Path) -> None:
    write(
        folder / "targets" / "lantern-3.yaml",
        """\
name: Lantern 3
sequences:
  - name: all of it
    start: {status: observed, at: 2026-12-03T08:00:00Z, give_or_take: 20s, sigma: 5s}
    clock:
      known_rate_ppm: -3
      rate_sigma_ppm: 10
      resets_on_power_loss: true
      temperature: {table: [[-20, 5], [20, 0]], profile: [[2026-12-03T08:00:00Z, 4]], error_c: 2}
    units:
      - {name: A, clock: {rate_error_ppm: 30}}
      - name: B
    steps:
      - {name: first, after: start, delay: {fixed: 2h, error: 3s, sigma: 1s}, timer: A}
      - name: second
        after: start
        delay: {setting: {from: 1h, to: 5h, resolution: 1min, error: 2s, sigma: 1s, chosen: 2h}}
        timers: [A, B]
        units_act: all
      - name: third
        after: [first, second]
        join: earlier
        delay:
          setting:
            {from: 1h, to: 9h, resolution: 1min, exceeds: [{step: second, by: 10min}]}
        only_if_seen: first
        repeat: {every: 12h, most: 4}
        needs:
          - {service: telemetry, least_elevation_deg: 5, sunlit: false, stations: 2}
          - {service: command, dark_station: true, handover: false}
        stop: {stops_later_steps: false}
""",
    )
    (sequence,) = load(folder).targets["Lantern 3"].sequences
    assert sequence.start.sigma_s == 5.0
    assert sequence.start.earliest == at("2026-12-03T07:59:40Z")
    assert sequence.clock.rate_sigma_ppm == 10.0
    assert sequence.clock.resets_on_power_loss
    assert sequence.clock.temperature is not None
    assert sequence.clock.temperature.table == ((-20.0, 5.0), (20.0, 0.0))
    assert [unit.name for unit in sequence.units] == ["A", "B"]
    assert sequence.units[0].clock.rate_error_ppm == 30.0
    first, second, third = sequence.steps
    assert first == Step("first", Delay(7200.0, 3.0, sigma_s=1.0), timer="A")
    assert second.timers == ("A", "B")
    assert second.units_act == "all"
    assert second.delay.setting == Setting(3600.0, 18_000.0, 60.0, 2.0, 7200.0, 1.0)
    assert third.after == ("first", "second")
    assert third.join == "earlier"
    assert third.only_if_seen == "first"
    assert (third.repeat_every_s, third.repeat_most) == (43_200.0, 4)
    assert third.delay.setting is not None
    assert third.delay.setting.exceeds == (("second", 600.0),)
    assert third.needs == (
        Need("telemetry", least_elevation_deg=5.0, sunlit=False, stations=2),
        Need("command", dark_station=True, handover=False),
    )
    assert third.stop == StopRule(stops_later_steps=False)


def test_a_folder_with_nothing_in_it_is_complete(tmp_path: Path) -> None:
    configuration = load(tmp_path)
    assert not configuration.stations
    assert not configuration.targets
    assert configuration.settings.horizon.ahead_s == 7 * 86_400.0
    assert configuration.settings.http.host == "127.0.0.1"


def test_a_station_without_services_and_a_target_without_sequences_are_complete(
    tmp_path: Path,
) -> None:
    write(tmp_path / "stations" / "a.yaml", "{name: A, latitude_deg: 0, longitude_deg: 0}")
    write(tmp_path / "targets" / "b.yml", "name: B\nelements: {tle: b.tle}\n")
    write(tmp_path / "targets" / "b.tle", TLE)
    configuration = load(tmp_path)
    assert configuration.stations["A"].services == {}
    assert configuration.targets["B"].sequences == ()
    assert configuration.targets["B"].elements_source == "b.tle"


def test_keys_with_nothing_after_them_are_empty(tmp_path: Path) -> None:
    write(tmp_path / "contactd.yaml", "horizon:\nchannels:\nalerts:\n")
    write(
        tmp_path / "stations" / "a.yaml",
        "name: A\nlatitude_deg: 0\nlongitude_deg: 0\nmask:\noutages:\nservices:\n  telemetry:\n",
    )
    configuration = load(tmp_path)
    assert configuration.stations["A"].services == {"telemetry": ServiceTerms()}


def test_elements_by_url_become_a_feed(folder: Path) -> None:
    write(folder / "contactd.yaml", "elements: {least_interval: 3h, size_limit: 1 MB, timeout: 5s}")
    write(
        folder / "targets" / "heron.yaml",
        "name: Heron\nelements: {url: 'https://elements.example/h', catalogue_number: 90117}\n",
    )
    configuration = load(folder)
    assert configuration.targets["Heron"].elements == ()
    feed = configuration.feeds["Heron"]
    assert (feed.url, feed.least_interval_s) == ("https://elements.example/h", 10_800.0)
    assert (feed.size_limit_bytes, feed.timeout_s) == (1_000_000, 5.0)
    assert (feed.catalogue_number, feed.format) == (90117, None)
    assert set(configuration.feeds) == {"Heron"}


def test_a_targets_own_leads_go_before_the_services(folder: Path) -> None:
    write(folder / "contactd.yaml", "alerts: {contact_lead: [20min], closes_lead: 30s}")
    with (folder / "targets" / "lantern-3.yaml").open("a") as file:
        file.write("alerts: {contact_lead: 5min, step_lead: []}\n")
    configuration = load(folder)
    own = configuration.leads["Lantern 3"]
    assert own.contact_s == (300.0,)
    assert own.step_s == ()
    assert own.closes_s == 30.0
    assert configuration.settings.alerts.contact_s == (1200.0,)


def test_routine_alerts_are_kinds_that_are_raised() -> None:
    from contactd.core.alert import KINDS

    assert set(ROUTINE) <= KINDS


def test_a_channels_kinds_may_have_the_names_of_older_versions(folder: Path) -> None:
    # Otherwise such a channel would be silent after an upgrade.
    channel = "{kind: webhook, name: desk, url: 'http://localhost/', kinds: [step-out-of-view]}"
    write(folder / "contactd.yaml", f"channels: [{channel}]")
    assert load(folder).settings.channels[0].kinds == ("step-uncovered",)


def test_the_store_lies_in_the_state_directory_or_beside_the_folder(
    folder: Path, tmp_path: Path
) -> None:
    assert load(folder).store_url == f"sqlite:///{tmp_path}/var/ledger.sqlite"
    state = tmp_path / "state"
    assert load(folder, state).store_url == f"sqlite:///{state}/ledger.sqlite"
    write(folder / "contactd.yaml", "store: {url: 'postgresql://watch@db.example/contactd'}")
    assert load(folder, state).store_url == "postgresql://watch@db.example/contactd"


def test_a_password_for_the_store_stays_in_its_file(folder: Path) -> None:
    write(folder / "pg pass", "db:5432:contactd:watch:hunter2\n")
    write(
        folder / "contactd.yaml",
        "store: {url: 'postgresql://watch@db/contactd', password_file: pg pass}",
    )
    url = load(folder).store_url
    path = str(folder / "pg pass").replace(" ", "%20")
    assert url == f"postgresql://watch@db/contactd?passfile={path}"


def test_the_digest_follows_contents_and_nothing_else(folder: Path, tmp_path: Path) -> None:
    first = load(folder).digest
    os.utime(folder / "targets" / "lantern-3.yaml", (1, 1))
    assert load(folder).digest == first
    elsewhere = tmp_path / "elsewhere"
    folder.rename(elsewhere)
    assert load(elsewhere).digest == first
    (elsewhere / "targets" / "lantern-3.yaml").write_text(TARGET + "# a remark\n")
    assert load(elsewhere).digest != first


def test_the_digest_follows_files_that_are_referred_to(tmp_path: Path) -> None:
    config, elements = tmp_path / "config", tmp_path / "elements.tle"
    write(config / "targets" / "b.yaml", "name: B\nelements: {tle: ../../elements.tle}\n")
    write(elements, TLE)
    first = load(config)
    assert any(path.resolve() == elements for path in first.files)
    elements.write_text(TLE + "\n")
    assert load(config).digest != first.digest


def test_every_error_of_every_file_is_told_in_order(folder: Path) -> None:
    write(folder / "contactd.yaml", "http: {port: 0}\nlog: {levle: info}\n")
    write(folder / "stations" / "a.yaml", "name: A\nlatitude_deg: 91\nlongitude_deg: x\n")
    write(folder / "targets" / "b.yaml", "name: [B\n")
    places = [error.split(": ")[0] for error in errors_of(folder)]
    assert places == [
        "config/contactd.yaml:1:14",
        "config/contactd.yaml:2:7",
        "config/stations/a.yaml:2:15",
        "config/stations/a.yaml:3:16",
        "config/targets/b.yaml:1:7",
    ]


def test_errors_of_one_file_are_bounded(folder: Path) -> None:
    keys = "".join(f"key{number}: 1\n" for number in range(10 * MOST_ERRORS_PER_FILE))
    write(folder / "contactd.yaml", keys)
    assert len(errors_of(folder)) == MOST_ERRORS_PER_FILE + 1


def test_what_is_good_is_there_beside_what_is_wrong(folder: Path) -> None:
    write(folder / "contactd.yaml", "http: {port: 0}\n")
    write(folder / "targets" / "b.yaml", "name: B\nelemets: {}\n")
    write(folder / "targets" / "z.yaml", "name: Lantern 3\n")
    found = examine(folder)
    assert len(found.errors) == 3
    assert set(found.configuration.targets) == {"Lantern 3"}
    assert found.configuration.targets["Lantern 3"].elements
    assert set(found.configuration.stations) == {"Skerry Head"}
    assert found.configuration.settings.http.port == 8010


def test_a_target_with_a_broken_element_file_is_left_out(folder: Path) -> None:
    write(folder / "targets" / "b.yaml", "name: B\nelements: {omm: b.xml}\n")
    write(folder / "targets" / "b.xml", "<ndm>")
    found = examine(folder)
    assert [Path(error.path).name for error in found.errors] == ["b.xml"]
    assert "targets/b.yaml:2:17: elements.omm" in str(found.errors[0])
    assert set(found.configuration.targets) == {"Lantern 3"}


def test_editors_scraps_are_not_read(folder: Path) -> None:
    for name in (".b.yaml", "#b.yaml#", "b.yaml~", ".b.yaml.swp"):
        write(folder / "targets" / name, "half a")
    assert set(load(folder).targets) == {"Lantern 3"}


def test_a_pipe_or_a_folder_in_a_files_place_is_refused_without_waiting(folder: Path) -> None:
    os.mkfifo(folder / "targets" / "b.yaml")
    (folder / "targets" / "c.yaml").mkdir()
    assert [error.split("found ")[1].split(";")[0] for error in errors_of(folder)] == [
        "no regular file",
        "a folder",
    ]


def test_a_file_that_is_too_long_is_refused(folder: Path) -> None:
    write(folder / "targets" / "b.yaml", "#" * (1 << 20) + "\n")
    assert "at most 1,048,576 are read" in errors_of(folder)[0]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_refused(folder: Path) -> None:
    write(folder / "targets" / "b.yaml", "name: B\n").chmod(0)
    assert "permission denied" in errors_of(folder)[0]


def test_a_folder_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    assert "no such folder" in errors_of(tmp_path / "nowhere")[0]


def test_no_secret_stands_in_an_error_or_in_the_configuration(folder: Path) -> None:
    write(folder / "secret", "hunter2\n")
    write(
        folder / "contactd.yaml",
        "store: {url: 'postgresql://watch:hunter2@db/x'}\n"
        "channels:\n- {kind: webhook, name: a, url: 'https://a.example/', secret_file: secret}\n",
    )
    found = examine(folder)
    assert len(found.errors) == 1
    assert "hunter2" not in str(found.errors[0])
    assert "hunter2" not in repr(found.configuration)


def test_a_block_of_elements_with_a_slip_is_placed_in_its_own_line(folder: Path) -> None:
    write(folder / "targets" / "lantern-3.yaml", TARGET.replace("68.3000", "68.300O"))
    (error,) = errors_of(folder)
    assert error.startswith("config/targets/lantern-3.yaml:6:13: elements.tle, inclination")


def test_what_is_allowed_but_may_not_be_meant_is_noticed(folder: Path) -> None:
    text = TARGET.replace("        keep_clear: {before: 2min, after: 10min}\n", "")
    text = text.replace("service: command", "service: ranging")
    write(folder / "targets" / "lantern-3.yaml", text)
    write(folder / "targets" / "b.yaml", "name: B\n")
    notices = [str(each).replace(str(folder), "config") for each in load(folder).notices]
    assert notices == [
        "config/targets/b.yaml:1:1: no elements: no contact can be predicted",
        "config/targets/lantern-3.yaml:26:17: sequences[0].steps[1].hazard: "
        "a hazard without keep_clear: nobody is told to keep away",
        "config/targets/lantern-3.yaml:28:26: sequences[0].steps[1].needs.service: "
        "no station offers this service",
    ]


def test_recurring_outages_are_written_out_around_the_moment_asked_for(folder: Path) -> None:
    write(
        folder / "stations" / "b.yaml",
        "{name: B, latitude_deg: 0, longitude_deg: 0, outages: b.ics}",
    )
    write(
        folder / "stations" / "b.ics",
        "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:x\nBEGIN:VEVENT\nUID:1\nDTSTAMP:20200101T000000Z\n"
        "DTSTART:20200101T030000Z\nDURATION:PT1H\nRRULE:FREQ=WEEKLY\nEND:VEVENT\nEND:VCALENDAR\n",
    )
    around = at("2031-06-01T00:00:00Z")
    configuration = load(folder, around=around)
    outages = configuration.stations["B"].outages
    assert configuration.span[0] < around < configuration.span[1]
    assert 60 <= len(outages) <= 80
    assert outages.starts[0] < around - 30 * 86_400.0
    assert outages.ends[-1] > around + 400 * 86_400.0


def test_what_has_not_changed_is_taken_over_from_an_earlier_load(folder: Path) -> None:
    write(folder / "targets" / "b.yaml", "name: B\nelements: {tle: b.tle}\n")
    write(folder / "targets" / "b.tle", TLE)
    first = load(folder)
    write(folder / "targets" / "b.tle", TLE.replace("LANTERN", "LATTERN"))
    second = load(folder, earlier=first)
    assert second.targets["Lantern 3"] is first.targets["Lantern 3"]
    assert second.stations["Skerry Head"] is first.stations["Skerry Head"]
    assert second.targets["B"].elements[0].name == "LATTERN 3"


EDITS: list[tuple[str, str | None]] = [
    ("contactd.yaml", None),
    ("contactd.yaml", "elements: {stale_after: 2d}"),
    ("contactd.yaml", "alerts: {closes_lead: 5s}"),
    ("contactd.yaml", "alerts: {closes_lead: 5}"),
    ("stations/skerry-head.yaml", STATION),
    ("stations/skerry-head.yaml", STATION.replace("telemetry", "ranging")),
    ("stations/skerry-head.yaml", STATION + "colour: red\n"),
    ("stations/b.yaml", "{name: B, latitude_deg: 0, longitude_deg: 0, outages: b.ics}"),
    ("stations/b.yaml", "{name: Skerry Head, latitude_deg: 0, longitude_deg: 0}"),
    ("stations/b.ics", "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:x\nEND:VCALENDAR\n"),
    ("stations/b.ics", None),
    ("targets/lantern-3.yaml", TARGET),
    ("targets/lantern-3.yaml", TARGET.replace("2min", "3min")),
    ("targets/lantern-3.yaml", TARGET.replace("telemetry", "tolemetry")),
    ("targets/b.yaml", "name: B\nelements: {tle: b.tle}\n"),
    ("targets/b.yaml", "name: Lantern 3\nelements: {tle: b.tle}\n"),
    ("targets/b.yaml", None),
    ("targets/b.tle", TLE),
    ("targets/b.tle", TLE[:-3]),
    ("targets/b.tle", None),
]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    edits=st.lists(st.sampled_from(EDITS), min_size=1, max_size=12),
    days=st.lists(st.sampled_from([0, 1, 20, 200]), min_size=12, max_size=12),
)
def test_a_load_with_an_earlier_one_gives_what_a_fresh_one_gives(
    folder: Path, edits: list[tuple[str, str | None]], days: list[int]
) -> None:
    now = at("2026-12-01T00:00:00Z")
    earlier = examine(folder, around=now).configuration
    for (name, text), day in zip(edits, days, strict=False):
        path = folder / name
        if text is None:
            path.unlink(missing_ok=True)
        else:
            write(path, text)
        now += day * 86_400.0
        again = examine(folder, around=now, earlier=earlier)
        fresh = examine(folder, around=now)
        assert again.errors == fresh.errors
        same = replace(again.configuration, span=fresh.configuration.span)
        assert same == fresh.configuration
        assert again.configuration.span[0] < now < again.configuration.span[1]
        earlier = again.configuration


# Whatever is written, there is a configuration or there are errors with places.

GOOD: Any = {
    "contactd.yaml": {
        "horizon": {"ahead": "3d"},
        "channels": [{"kind": "webhook", "name": "a", "url": "https://a.example/"}],
        "alerts": {"contact_lead": ["10min"]},
    },
    "stations/skerry-head.yaml": parse(STATION.encode()).value,
    "targets/lantern-3.yaml": parse(TARGET.encode()).value,
}
ANYTHING = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from(
        ["", "start", "2h", "2026-12-03T08:00:00Z", "a/b", "x.ics", "é", "receiver on"]
    )
    | st.text(max_size=6),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=2)
    ),
    max_leaves=6,
)


def places_in(value: Any) -> list[tuple[Any, ...]]:
    """Paths of all values within a value."""
    inner = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    return [(), *((key, *rest) for key, each in inner for rest in places_in(each))]


def changed(value: Any, place: tuple[Any, ...], other: Any) -> Any:
    if not place:
        return other
    value[place[0]] = changed(value[place[0]], place[1:], other)
    return value


def checked(folder: Path) -> Configuration:
    found = examine(folder)
    for error in found.errors:
        assert error.path.startswith(str(folder))
        assert error.expected
        assert "Input should" not in str(error)
    return found.configuration


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_value_in_any_place_is_taken_or_refused(folder: Path, data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(sorted(GOOD)))
    place = data.draw(st.sampled_from(places_in(GOOD[name])))
    content = changed(copy.deepcopy(GOOD[name]), place, data.draw(ANYTHING))
    (folder / name).write_text(
        yaml.safe_dump(content, allow_unicode=True), encoding="utf-8", errors="surrogatepass"
    )
    checked(folder)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), noise=st.binary(max_size=300))
def test_any_bytes_in_any_file_are_taken_or_refused(
    folder: Path, data: st.DataObject, noise: bytes
) -> None:
    name = data.draw(st.sampled_from([*GOOD, "stations/x.yml", "targets/x.yml"]))
    good = yaml.safe_dump(GOOD.get(name, {})).encode()
    cut = data.draw(st.integers(0, len(good)))
    (folder / name).write_bytes(
        data.draw(st.sampled_from([noise, good[:cut] + noise + good[cut:]]))
    )
    checked(folder)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(0, len(TARGET)))
def test_a_file_that_is_half_written_is_taken_or_refused(folder: Path, cut: int) -> None:
    (folder / "targets" / "lantern-3.yaml").write_text(TARGET[:cut])
    checked(folder)


def test_commands_find_the_ledger_of_a_deployed_service_where_it_keeps_it():
    # Filesystem Hierarchy Standard 3.0: configuration in /etc, variable state in /var/lib.
    assert state_folder(Path("/etc/contactd")) == Path("/var/lib/contactd")
    assert state_folder(Path("/home/ada/config")) == Path("/home/ada/var")
