"""A demo configuration that is never stale: made for the moment at which it is asked for.

:func:`demo_files` is a pure function from an instant to the texts of all files, the same for the
same minute; :func:`write_demo` writes them into a folder (``contactd demo DIR``). The folder
``config`` that ships with the program is one such output.

The orbits are the same every day, carried on from one fixed epoch by the secular rates of J2, so
that each day's elements are the day before's a day later. The settings of the running sequence are
not fixed: they are chosen from the coverage that the program itself predicts, so that for whatever
moment the demo is made,

- ``heater on`` has expired,
- ``receiver on`` will expire while a station receives telemetry,
- ``antenna release``, the hazard, will expire while a station can command, a stop is possible
  before it, and the crew is gone,
- ``beacon on`` will expire while no station has the satellite in view.

Source of the secular rates: Vallado, *Fundamentals of Astrodynamics and Applications*, section 9.6
(from memory; check value for the node in the tests).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from string import Template

from contactd.config import demo_texts as texts
from contactd.config.builder import Builder
from contactd.config.error_locations import read_document
from contactd.config.files import Unreadable
from contactd.config.station_file import StationFile
from contactd.core import instants
from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.coverage import any_station
from contactd.core.errors import ContactdError
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S
from contactd.core.intervals import IntervalSet
from contactd.core.orbit import format_omm, format_tle, parse_tle
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.planning import Target, predict_target
from contactd.mission.timetext import written

MINUTE_S, HOUR_S = 60.0, 3600.0

STARTED_BEFORE_S = 60 * MINUTE_S
START_ERROR_S = 20.0
HEATER_DELAY_S = 40 * MINUTE_S
VISIT_FROM_S, VISIT_TO_S = -3 * HOUR_S, -10 * MINUTE_S
SOONEST_S = 12 * MINUTE_S
APART_S = 20 * MINUTE_S
# What rate, settings and elements may add to the start's bound, with room to spare.
ROOM_S = 20.0
SEARCHED_S = 3 * DAY_S

EARTH_MU_KM3_S2 = 398_600.8
EARTH_RADIUS_KM = 6_378.135
J2 = 1.082616e-3


@dataclass(frozen=True, slots=True)
class _Orbit:
    """An invented orbit at the epoch that all days count from (2026-01-01T00:00:00Z)."""

    name: str
    catalogue_number: int
    designator: str
    mean_motion_rev_per_day: float
    eccentricity: float
    inclination_deg: float
    raan_deg: float
    argument_of_perigee_deg: float
    mean_anomaly_deg: float
    bstar_per_earth_radius: float

    def on(self, epoch: float) -> ElementSet:
        """The elements at another epoch (instant, s)."""
        days = (epoch - _FIRST_EPOCH) / DAY_S
        node, perigee, anomaly = self._rates_deg_per_day()
        revolutions = self.mean_motion_rev_per_day * days
        return ElementSet(
            name=self.name,
            catalogue_number=self.catalogue_number,
            international_designator=self.designator,
            epoch=epoch,
            mean_motion_rev_per_day=self.mean_motion_rev_per_day,
            eccentricity=self.eccentricity,
            inclination_deg=self.inclination_deg,
            raan_deg=_angle(self.raan_deg + node * days),
            argument_of_perigee_deg=_angle(self.argument_of_perigee_deg + perigee * days),
            mean_anomaly_deg=_angle(self.mean_anomaly_deg + anomaly * days),
            bstar_per_earth_radius=self.bstar_per_earth_radius,
            element_set_number=int(days) % 1000,
            revolution_number=int(revolutions) % 100_000,
        )

    def _rates_deg_per_day(self) -> tuple[float, float, float]:
        """Rates of node, perigee and mean anomaly under J2."""
        motion_deg = 360.0 * self.mean_motion_rev_per_day
        motion_rad_s = math.radians(motion_deg) / DAY_S
        axis_km = (EARTH_MU_KM3_S2 / motion_rad_s**2) ** (1 / 3)
        parameter_km = axis_km * (1 - self.eccentricity**2)
        strength = 1.5 * J2 * (EARTH_RADIUS_KM / parameter_km) ** 2 * motion_deg
        cosine = math.cos(math.radians(self.inclination_deg))
        # The mean motion of SGP4 elements holds the mean anomaly's own secular rate already.
        return -strength * cosine, strength * (2.0 - 2.5 * (1 - cosine**2)), motion_deg


_FIRST_EPOCH = instants.from_text("2026-01-01T00:00:00Z")
_LANTERN = _Orbit("LANTERN 3", 90103, "2021-304C", 14.72, 0.0011, 68.3, 143.2, 71.0, 12.5, 2.4e-5)
_HERON = _Orbit("PALE HERON", 90117, "2023-311A", 4.41, 0.42, 63.4, 250.6, 270.0, 40.0, 0.0)


def _angle(degrees: float) -> float:
    return round(degrees % 360.0, 4) % 360.0


def demo_files(now: float) -> dict[str, str]:
    """The texts of all files of the demo, by name below the configuration's folder.

    Args:
        now: the moment (instant, s) for which the demo is made; seconds do not matter.

    Raises:
        ContactdError: if no such demo can be made for that moment (none is known).
    """
    minute = math.floor(instants.to_unix(now) / MINUTE_S) * MINUTE_S
    made = instants.from_unix(minute)
    epoch = instants.from_unix(math.floor(minute / DAY_S) * DAY_S)
    started = made - STARTED_BEFORE_S
    words = {
        "made": _text(made),
        "gearbox_from": _text(epoch + 5 * DAY_S + 6 * HOUR_S),
        "gearbox_to": _text(epoch + 5 * DAY_S + 14 * HOUR_S),
        "started": _text(started),
        "start_error": written(START_ERROR_S),
        "visit_from": _text(made + VISIT_FROM_S),
        "visit_to": _text(made + VISIT_TO_S),
        "next_from": _text(made + 20 * HOUR_S),
        "next_to": _text(made + 22 * HOUR_S),
        "next_visit_from": _text(made + 19 * HOUR_S),
        "next_visit_to": _text(made + 24 * HOUR_S),
        "heater_delay": written(HEATER_DELAY_S),
    }
    tle = "\n".join(["LANTERN 3", *format_tle(_LANTERN.on(epoch))])
    words["lantern_tle"] = "\n".join(f"    {line}" for line in tle.split("\n"))
    files = {
        "contactd.yaml": texts.SETTINGS,
        "stations/skerry-head.yaml": texts.SKERRY_HEAD,
        "stations/mesa-roja.yaml": texts.MESA_ROJA,
        "stations/greywater.yaml": texts.GREYWATER,
        "stations/ile-cendre.yaml": texts.ILE_CENDRE,
        "stations/ile-cendre.ics": texts.ILE_CENDRE_CALENDAR,
        "targets/pale-heron.yaml": texts.PALE_HERON,
    }
    files = {name: Template(text).substitute(words) for name, text in files.items()}
    files["targets/pale-heron.xml"] = format_omm(_HERON.on(epoch), "xml", originator="DEMO")
    coverage = _coverage(files, parse_tle(tle)[0], made)
    words |= _dials(coverage, started, made)
    files["targets/lantern-3.yaml"] = Template(texts.LANTERN).substitute(words)
    return files


def write_demo(directory: Path, now: float) -> None:
    """Write the demo for the present moment (instant, s) into a folder; it is made if need be.

    Files of the same names are replaced, each whole.
    """
    for name, text in demo_files(now).items():
        path = directory / name
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = path.with_name(f".{path.name}.draft")
        draft.write_text(text, encoding="utf-8")
        draft.replace(path)


def _text(instant: float) -> str:
    return instants.to_text(instant, decimals=0)


class _Texts:
    """Reads from the demo's texts what a station's file refers to."""

    def __init__(self, files: Mapping[str, str]) -> None:
        self._files = files

    def read(self, path: Path, most_bytes: int) -> bytes:
        if len(self._files.get(str(path), "")) > most_bytes or str(path) not in self._files:
            raise Unreadable("no such file")
        return self._files[str(path)].encode()


def _stations(files: Mapping[str, str], span: tuple[float, float]) -> list[Station]:
    """The stations, built as the service will build them."""
    stations = []
    for name, text in files.items():
        if name.startswith("stations/") and name.endswith(".yaml"):
            document = read_document(Path(name), text.encode())
            file = document.validated(StationFile)
            assert file is not None, document.errors
            stations.append(Builder(document, _Texts(files), span).station(file))
            assert not document.errors, document.errors
    return stations


def _coverage(files: Mapping[str, str], elements: ElementSet, made: float) -> dict[str, Coverage]:
    """Coverage of Lantern 3 by service, whichever station gives it."""
    span = (made, made + SEARCHED_S)
    target = Target("Lantern 3", (elements,), stated_error=OrbitError(0.3, 1.5))
    prediction = predict_target(target, _stations(files, span), span, made)
    services = prediction.outlook.services
    return {service: any_station(stations) for service, stations in services.items()}


def _dials(coverage: Mapping[str, Coverage], started: float, made: float) -> dict[str, str]:
    """What the three settings of the running sequence are set to."""
    spread_s = START_ERROR_S + ROOM_S
    heater = started + HEATER_DELAY_S
    received, commanded = coverage["telemetry"].certain, coverage["command"].certain
    unseen = coverage["telemetry"].possible.gaps(made, made + SEARCHED_S)

    receiver = _first(received, 60.0, 180.0, spread_s, made + SOONEST_S, heater)
    # The stop of the hazard is sent in a command window between now and then.
    after = max(receiver + APART_S, _opened(commanded, made))
    release = _first(commanded, 120.0, 120.0, spread_s, after, receiver)
    beacon = _first(unseen, 240.0, 360.0, spread_s, release + APART_S, release)
    return {
        "receiver_delay": written(receiver - heater),
        "release_delay": written(release - receiver),
        "beacon_delay": written(beacon - release),
    }


def _opened(commanded: IntervalSet, made: float) -> float:
    """When the first command window of some length has closed."""
    windows: Iterable[tuple[float, float]] = commanded.longer_than(2 * MINUTE_S)
    for _, end in windows:
        if end > made:
            return end + APART_S
    raise ContactdError("the demo finds no command window")


def _first(
    wanted: IntervalSet,
    before_s: float,
    after_s: float,
    spread_s: float,
    not_before: float,
    counted_from: float,
) -> float:
    """First whole minute after ``counted_from`` around which all of the need is met."""
    for start, end in wanted.shrink(before_s + spread_s, after_s + spread_s):
        earliest = max(start, not_before)
        moment = counted_from + math.ceil((earliest - counted_from) / MINUTE_S) * MINUTE_S
        if moment < end:
            return moment
    raise ContactdError("the demo finds no fitting contact")
