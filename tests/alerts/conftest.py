"""A small invented world for the tests of alerts, and real servers to send them to."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from contactd.alerts.notification import About, Notification
from contactd.core.alert import Alert, Severity
from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.outlook import ElementsInUse, Snapshot, TargetOutlook
from contactd.core.sequences.model import (
    SequenceForecast,
    Start,
    StartStatus,
    StepForecast,
    StepStatus,
)

DAY_S = 86_400.0


class World:
    """Builds snapshots of one invented target. All times are seconds after ``noon``."""

    target = "Lantern 3"
    noon = from_text("2026-12-03T12:00:00Z")

    def contact(self, aos: float, los: float, station: str = "Norrsund", **more) -> Contact:
        values = {
            "aos_azimuth_deg": 211.0,
            "tca_azimuth_deg": 270.0,
            "los_azimuth_deg": 330.0,
            "max_elevation_deg": 43.0,
            "tca_range_km": 800.0,
        } | more
        tca = self.noon + (aos + los) / 2
        return Contact(self.target, station, self.noon + aos, tca, self.noon + los, **values)

    def coverage(self, *windows: tuple[float, float], uncertainty_s: float = 0.0) -> Coverage:
        nominal = IntervalSet.of((self.noon + a, self.noon + b) for a, b in windows)
        return Coverage(
            nominal,
            nominal.shrink(uncertainty_s, uncertainty_s),
            nominal.grow(uncertainty_s, uncertainty_s),
        )

    def step(self, earliest: float | None, latest: float | None, **more) -> StepForecast:
        values = {"status": StepStatus.RUNNING, "step": "antenna release"} | more
        if values.get("stop_by") is not None:
            stop = {"stop_certain": True, "stop_possible": True, "stops": values["step"]}
            values = stop | values
        for key in ("stop_by", "confirm_at"):
            if values.get(key) is not None:
                values[key] += self.noon
        if values.get("keep_clear") is not None:
            values["keep_clear"] = tuple(self.noon + each for each in values["keep_clear"])
        if "people_in_danger" in values:
            pairs = values["people_in_danger"]
            values["people_in_danger"] = IntervalSet.of(
                (self.noon + a, self.noon + b) for a, b in pairs
            )
        times = {
            "earliest": None if earliest is None else self.noon + earliest,
            "nominal": None
            if earliest is None or latest is None
            else self.noon + (earliest + latest) / 2,
            "latest": None if latest is None else self.noon + latest,
        }
        return StepForecast(target=self.target, sequence="wake-up", **times, **values)

    def forecast(self, *steps: StepForecast, start: Start | None = None) -> SequenceForecast:
        if start is None:
            start = Start(
                StartStatus.OBSERVED,
                self.noon - 7230,
                self.noon - 7200,
                self.noon - 7170,
                record=4,
            )
        return SequenceForecast(self.target, "wake-up", start, steps)

    def outlook(self, *, contacts=(), windows=None, forecasts=(), **more) -> TargetOutlook:
        values = {
            "span": (self.noon - DAY_S, self.noon + 7 * DAY_S),
            "elements": ElementsInUse(
                self.noon - DAY_S, "lantern-3.xml", 3 * DAY_S, 3.0, OrbitError(3.0)
            ),
        } | more
        return TargetOutlook(
            target=self.target,
            contacts=tuple(contacts),
            services={"command": windows or {}},
            forecasts=tuple(forecasts),
            **values,
        )

    def snapshot(self, *, at: float = 0.0, **more) -> Snapshot:
        """A snapshot at ``at``; what is no field of it goes to the outlook of the one target."""
        names = (
            *("configuration", "clock", "planned_at", "looking_since", "targets"),
            "ledger_trouble",
        )
        mine = {key: more.pop(key) for key in names if key in more}
        mine.setdefault("targets", {self.target: self.outlook(**more)})
        mine.setdefault("planned_at", self.noon + at)
        return Snapshot(at=self.noon + at, **mine)


@pytest.fixture(scope="session")
def world() -> World:
    return World()


class Letters:
    """Makes messages about one invented alert."""

    noon = World.noon
    alert = Alert(
        identity="step-uncovered-0123",
        kind="step-uncovered",
        severity=Severity.WARNING,
        target="Lantern 3",
        subject="Lantern 3/wake-up/antenna release",
        what=(
            "Step 'antenna release' of Lantern 3 expires uncovered,"
            " 2026-12-03 12:50:00Z to 12:51:00Z."
        ),
        do=(
            "Controller: decide; to prevent it, stop 'antenna release' through Norrsund"
            " by 12:10:00Z."
        ),
        due=World.noon - 1,
        moment=World.noon + 3000,
        over_at=World.noon + 3060,
        facts={"margin_s": -720.0},
    )

    def notification(self, *alerts: Alert, about: About = About.RAISED, **more) -> Notification:
        given = alerts or (self.alert,)
        identity = given[0].identity
        key = identity if about is About.RAISED else f"{identity}.{about.value}"
        values = {"channel": "c", "since": self.noon - 1, "at": self.noon, "key": key} | more
        return Notification(
            about=about, alerts=given, parts=tuple(a.identity for a in given), **values
        )


@pytest.fixture(scope="session")
def letters() -> Letters:
    return Letters()


@dataclass
class Request:
    """What a receiver got."""

    headers: dict[str, str]
    body: bytes
    arrived: float = field(default_factory=time.monotonic)

    @property
    def json(self):
        return json.loads(self.body)


Answer = Callable[[BaseHTTPRequestHandler], None]


class Receiver:
    """A real HTTP server on loopback that answers as it is told, in turn; the last answer stays.

    An answer is a status, a (status, headers) pair, or a function of the request's handler.
    """

    def __init__(self) -> None:
        self.requests: list[Request] = []
        self.answers: list = [200]
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("content-length", 0)))
                receiver.requests.append(Request(dict(self.headers), body))
                answers = receiver.answers
                answer = answers.pop(0) if len(answers) > 1 else answers[0]
                if callable(answer):
                    answer(self)
                    return
                status, headers = answer if isinstance(answer, tuple) else (answer, {})
                receiver.answer(self, status, headers)

            def log_message(self, *_: object) -> None:
                pass

            def date_time_string(self, timestamp: float | None = None) -> str:
                return "Thu, 03 Dec 2026 12:00:00 GMT"

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: object) -> None:
                """A client that hangs up is what some tests are about."""

        self._server = Server(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.01,))
        self._thread.start()
        self.url = f"http://127.0.0.1:{self._server.server_port}/hook"

    @staticmethod
    def answer(handler: BaseHTTPRequestHandler, status: int = 200, headers=None) -> None:
        handler.send_response(status)
        for name, value in {"Content-Length": "0", **(headers or {})}.items():
            handler.send_header(name, value)
        handler.end_headers()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made = Receiver()
    yield made
    made.close()
