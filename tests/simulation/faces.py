"""Every face read into typed claims.

When an interface's names change, change them here and nowhere else: ``COLUMNS`` and ``LABELS`` are
the forecast table's words, ``KEYS`` the JSON members, ``METRICS`` the samples, ``HANDOVER`` and
``CALENDAR`` the words and kinds by which their lines are told apart, ``ALERTS`` the alert kinds.
What cannot be parsed raises :class:`Unreadable`, which is a finding like any other.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from prometheus_client.parser import text_string_to_metric_families
from room import Room
from truth import SEQUENCE, TARGET

from contactd.core.instants import from_text, from_unix

COLUMNS = {"step": "Step", "earliest": "Earliest", "latest": "Latest", "coverage": "Coverage"}
LABELS = {"stop by": "stop-by", "keep clear": "keep-clear"}
THROUGH = " through "
CANNOT = "no stop possible"
KEYS = {"earliest": "earliest", "latest": "latest", "coverage": "coverage", "stop_by": "stop_by",
        "station": "stop_station", "clear": "keep_clear", "possible": "stop_possible"}  # fmt: skip
METRICS = {"expiry": "contactd_step_expiry_timestamp_seconds",
           "stop-by": "contactd_step_stop_by_timestamp_seconds",
           "coverage": "contactd_step_coverage", "cannot": "contactd_step_stop_impossible",
           "clear": "contactd_keep_clear"}  # fmt: skip
HANDOVER = {"expiry": "expiry", "stop by": "stop-by", "keep clear": "keep-clear"}
WINDOW = "command window"
CALENDAR = {"step": "expiry", "stop-by": "stop-by", "keep-clear": "keep-clear"}
ALERTS = {"step-uncovered": "expiry",
          "step-at-risk": "expiry", "step-expiring": "expiry",
          "stop-by-coming": "stop-by", "keep-clear-begins": "keep-clear",
          "no-stop-possible": "cannot-stop"}  # fmt: skip
OTHERS = re.compile(
    r" (?:Also(?: uncovered| at risk)?|Nor is a stop certain for|Nor is a stop possible for)"
    r" (?='step)"
)
OTHER = re.compile(r"'(step \d)', (.*?) to ([^;]*Z(?: \+\dd)?)")
OTHER_BY = re.compile(r"'(step \d)', by ([^;.]*Z)")
VERDICTS = {"covered", "at risk", "uncovered"}
MOMENT = re.compile(r"(\d{4}-\d\d-\d\d)[ T](\d\d:\d\d:\d\d)Z")


SKY = ("aos", "los", "window-from", "window-to")
"""Kinds of claims that are about a station, not about a step."""


class Unreadable(ValueError):
    """A face that says something in another form than it promises."""


@dataclass(frozen=True)
class Claim:
    """One statement about a step.

    Attributes:
        kind: ``earliest``, ``latest``, ``coverage``, ``stop-by``, ``clear-from``, ``clear-to``,
            ``cannot-stop``, or ``open`` for an alert that waits; of a contact one of ``SKY``, and
            ``usable`` for the part of it that a station is said to have.
        value: an instant (s), or None.
        word: the verdict, the station or the alert's kind.
    """

    face: str
    kind: str
    step: str
    value: float | None = None
    word: str = ""


def _span(face: str, kind: str, step: str, begins: float, ends: float) -> Iterator[Claim]:
    first, last = ("clear-from", "clear-to") if kind == "keep-clear" else ("earliest", "latest")
    yield Claim(face, first, step, begins)
    yield Claim(face, last, step, ends)


def forecast_table(room: Room) -> Iterator[Claim]:
    """``contactd forecast`` as people read it."""
    code, text, err = room.command("forecast")
    if code != 0:
        raise Unreadable(f"forecast ended with {code}: {err}")
    lines = text.splitlines()
    rule = next((at for at, line in enumerate(lines) if line.startswith("----")), 0)
    if not rule:
        raise Unreadable("the forecast has no table")
    spans = [(each.start(), each.end()) for each in re.finditer("-+", lines[rule])]
    heads = [lines[rule - 2][a:b].strip() for a, b in spans]
    at = {key: heads.index(name) for key, name in COLUMNS.items()}
    row = rule + 1
    while row < len(lines) and lines[row].strip():
        cells = [lines[row][a:b].strip() for a, b in spans]
        row += 1
        step = cells[at["step"]]
        if cells[at["earliest"]] != "-":
            begins, ends = _written(cells[at["earliest"]] + " to " + cells[at["latest"]])
            yield from _span("table", "expiry", step, begins, ends)
        if cells[at["coverage"]] != "-":
            yield Claim("table", "coverage", step, None, _verdict(cells[at["coverage"]]))
    step = ""
    for line in lines[row:]:
        if line and not line.startswith(" "):
            step = line.split(" (hazard")[0]
        label, text = line[2:14].strip(), line[14:]
        if label == "warning" and text.startswith(CANNOT):
            yield Claim("table", "cannot-stop", step)
        if label not in LABELS:
            continue
        if LABELS[label] == "stop-by":
            station = re.split(r" \(|, ", text.split(THROUGH)[1])[0]
            yield Claim("table", "stop-by", step, _written(text)[0], station)
        else:
            yield from _span("table", "keep-clear", step, *_written(text))


def _verdict(word: str) -> str:
    if word not in VERDICTS:
        raise Unreadable(f"found the verdict {word!r}")
    return word


def _written(text: str) -> list[float]:
    """The moments in a text; the later one may leave its day out."""
    found = MOMENT.search(text)
    if found is None:
        raise Unreadable(f"no moment in {text!r}")
    first = from_text(f"{found[1]}T{found[2]}Z")
    made = [first]
    later = re.search(r"to (?:(\d{4}-\d\d-\d\d) )?(\d\d:\d\d:\d\d)Z(?: \+(\d)d)?", text)
    if later is not None:
        days = int(later[3] or 0)
        made.append(from_text(f"{later[1] or found[1]}T{later[2]}Z") + 86_400.0 * days)
    return made


def _of_forms(face: str, forms: Iterable[dict[str, Any]]) -> Iterator[Claim]:
    for form in forms:
        step = form["step"]
        earliest, latest = form[KEYS["earliest"]], form[KEYS["latest"]]
        if earliest is not None:
            yield from _span(face, "expiry", step, from_text(earliest), from_text(latest))
        if form[KEYS["coverage"]] is not None:
            yield Claim(face, "coverage", step, None, _verdict(form[KEYS["coverage"]]))
        impossible = form.get(KEYS["possible"]) is False
        if impossible:
            yield Claim(face, "cannot-stop", step)
        elif form[KEYS["stop_by"]] is not None:
            at = from_text(form[KEYS["stop_by"]])
            yield Claim(face, "stop-by", step, at, form[KEYS["station"]] or "")
        clear = form[KEYS["clear"]]
        if clear is not None:
            ends = from_text(clear["from"]), from_text(clear["to"])
            yield from _span(face, "keep-clear", step, *ends)


def forecast_json(room: Room) -> Iterator[Claim]:
    """``contactd forecast --format json``."""
    code, text, err = room.command("forecast", "--format", "json")
    if code != 0:
        raise Unreadable(f"forecast ended with {code}: {err}")
    yield from _of_forms("json", json.loads(text))


async def http_forecast(room: Room) -> Iterable[Claim]:
    """``GET /api/v1/forecast``."""
    return _of_forms("http", await room.document("/api/v1/forecast"))


async def page(room: Room) -> Iterable[Claim]:
    """What the page draws: the first screen and the timeline."""
    now = await room.document("/api/v1/now")
    timeline = await room.document("/api/v1/timeline")
    return [
        claim
        for face, document in (("page", now), ("timeline", timeline))
        for target in document["targets"]
        for sequence in target["sequences"]
        for claim in _of_forms(face, sequence["steps"])
    ]


async def metrics(room: Room) -> Iterable[Claim]:
    """``GET /metrics``."""
    made = []
    for family in text_string_to_metric_families(await room.text("/metrics")):
        for sample in family.samples:
            step = sample.labels.get("step", "")
            if sample.name == METRICS["expiry"] and sample.labels["bound"] != "nominal":
                at = from_unix(sample.value)
                made.append(Claim("metrics", sample.labels["bound"], step, at))
            elif sample.name == METRICS["stop-by"]:
                made.append(Claim("metrics", "stop-by", step, from_unix(sample.value)))
            elif sample.name == METRICS["coverage"] and sample.value == 1:
                made.append(Claim("metrics", "coverage", step, None, sample.labels["coverage"]))
            elif sample.name == METRICS["cannot"] and sample.value == 1:
                made.append(Claim("metrics", "cannot-stop", step))
            elif sample.name == METRICS["clear"]:
                made.append(Claim("metrics", "clear-now", step, sample.value))
    gone = {claim.step for claim in made if claim.kind == "cannot-stop"}
    return [claim for claim in made if claim.kind != "stop-by" or claim.step not in gone]


async def handover(room: Room) -> Iterable[Claim]:
    """``GET /api/v1/handover``: what is coming."""
    made: list[Claim] = []
    for item in (await room.document("/api/v1/handover"))["coming"]:
        step = item["about"].rpartition("/")[2]
        kind = HANDOVER.get(item["kind"])
        if item["kind"] == WINDOW:
            for what, at in (("window-from", item["at"]), ("window-to", item["until"])):
                made.append(Claim("handover", what, "", from_text(at), item["station"]))
        if kind == "stop-by":
            made.append(Claim("handover", kind, step, from_text(item["at"]), item["station"]))
        elif kind is not None:
            ends = from_text(item["at"]), from_text(item["until"])
            made += _span("handover", kind, step, *ends)
    return made


def contacts_table(room: Room) -> Iterator[Claim]:
    """``contactd contacts --format json``."""
    code, text, err = room.command("contacts", "--format", "json")
    if code != 0:
        raise Unreadable(f"contacts ended with {code}: {err}")
    yield from _of_contacts("contacts", json.loads(text))


async def http_contacts(room: Room) -> Iterable[Claim]:
    """``GET /api/v1/contacts``."""
    return _of_contacts("http", await room.document("/api/v1/contacts"))


def _of_contacts(face: str, forms: Iterable[dict[str, Any]]) -> Iterator[Claim]:
    for form in forms:
        station = form["station"]
        if not form["cut_at_start"]:
            yield Claim(face, "aos", "", from_text(form["aos"]), station)
        if not form["cut_at_end"]:
            yield Claim(face, "los", "", from_text(form["los"]), station)
        for span in form["usable"]:
            middle = (from_text(span["from"]) + from_text(span["to"])) / 2
            yield Claim(face, "usable", "", middle, station)


async def calendar(room: Room) -> Iterable[Claim]:
    """The calendar that others subscribe to; whole seconds."""
    from icalendar import Calendar

    made: list[Claim] = []
    for event in Calendar.from_ical(await room.text("/contacts.ics")).walk("VEVENT"):
        kind = CALENDAR.get(str(event.get("X-CONTACTD-KIND")))
        if kind is None or str(event.get("STATUS")) == "CANCELLED":
            continue
        step = str(event.get("X-CONTACTD-ABOUT")).rpartition("/")[2]
        begins = from_unix(event["DTSTART"].dt.timestamp())
        ends = from_unix(event["DTEND"].dt.timestamp()) if "DTEND" in event else begins
        if kind == "stop-by":
            made.append(Claim("calendar", kind, step, begins, str(event.get("LOCATION", ""))))
        else:
            made += _span("calendar", kind, step, begins, ends)
    return made


async def sheet(room: Room) -> Iterable[Claim]:
    """The sequence sheet's keep-clears, from the text of the PDF."""
    from urllib.parse import quote

    from pypdf import PdfReader

    path = f"/api/v1/sheets/sequence?target={quote(TARGET)}&sequence={quote(SEQUENCE)}"
    reader = PdfReader(io.BytesIO(await room.raw(path)))
    text = " ".join(page.extract_text() for page in reader.pages)
    if "Countdowns" not in text:
        raise Unreadable("the sequence sheet has no countdowns")
    made: list[Claim] = []
    day = r"(\d{4}-\d\d-\d\d)\s+(?:\(\d+\)\s+)?(\d\d:\d\d:\d\d)Z?"
    steps = r"(step \d)\s+\(\w+\)\s+"
    for found in re.finditer(rf"{steps}{day}\s+{day}\s+{day}", text):
        begins = from_text(f"{found[2]}T{found[3]}Z")
        ends = from_text(f"{found[6]}T{found[7]}Z")
        made += _span("sheet", "expiry", found[1], begins, ends)
    return made


async def alerts(room: Room) -> Iterable[Claim]:
    """Alerts that wait, and what each says, of the step that it is about and the others."""
    made: list[Claim] = []
    for alert in await room.document("/api/v1/alerts"):
        step = alert["subject"].rpartition("/")[2]
        if not step.startswith("step "):
            continue
        made.append(Claim("alert", "open", step, None, alert["kind"]))
        kind = ALERTS.get(alert["kind"])
        what, *others = OTHERS.split(alert["what"], 1)
        for other, begins, ends in OTHER.findall(others[0] if others else ""):
            made.append(Claim("alert", "open", other, None, alert["kind"]))
            made += _span("alert", "expiry", other, *_written(f"{begins} to {ends}"))
            if kind == "cannot-stop":
                made.append(Claim("alert", kind, other))
        for other, by in OTHER_BY.findall(others[0] if others else ""):
            made.append(Claim("alert", "open", other, None, alert["kind"]))
            made.append(Claim("alert", "stop-by", other, _written(by)[0]))
        if kind == "cannot-stop":
            made.append(Claim("alert", kind, step))
        elif kind == "stop-by":
            made.append(Claim("alert", kind, step, _written(what)[0]))
        elif kind is not None:
            said = what.split("Z. ")[0] + "Z."
            moments = _written(said)
            spans = list(_span("alert", kind, step, moments[0], moments[-1]))
            made += spans[1:] if re.search(r"\buntil \d{4}-", said) else spans
    return made


async def read(room: Room) -> list[Claim]:
    """What all faces say at this moment."""
    made = [*forecast_table(room), *forecast_json(room), *contacts_table(room)]
    for face in (http_forecast, http_contacts, page, metrics, handover, calendar, sheet, alerts):
        made += await face(room)
    return made
