"""Orbit ephemeris messages (OEM) in KVN and XML: text to a track of segments.

Source: CCSDS 502.0-B-3, *Orbit Data Messages* (April 2023), sections 5 and 7; CCSDS 505.0-B for
XML. Accelerations are passed over. Times without leap seconds (TAI, TT, GPS, TDB)
are understood as well as UTC; frames are turned into TEME of date at the nodes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from contactd.core.errors import InputError
from contactd.core.orbit.covariance import Covariance
from contactd.core.orbit.covariance_text import (
    WrittenCovariance,
    covariance_in_rtn,
    covariance_of_keys,
)
from contactd.core.orbit.ephemeris import MAX_DEGREE, EphemerisTrack, Method, Segment
from contactd.core.orbit.inertial import to_teme
from contactd.core.orbit.kvn import kvn_fields
from contactd.core.orbit.message import VERSIONS, Message, keep
from contactd.core.orbit.ndm_xml import Element, parse_xml
from contactd.core.orbit.oem_text import format_oem
from contactd.core.orbit.text import (
    Field,
    as_text,
    check_size,
    instant_of,
    number_of,
    shorten,
    whole_of,
)

__all__ = ["MAX_STATES", "format_oem", "parse_oem"]

MAX_STATES: Final = 1_000_000
"""Most states of one message: two years at one a minute."""
DEFAULT_METHOD: Final[Method] = "HERMITE"
DEFAULT_DEGREE: Final = 7
_METHODS: Final = ("HERMITE", "LAGRANGE", "LINEAR")
_NEAREST_CENTRE_KM: Final = 6_300.0

_HEADER: Final = frozenset(
    {"CCSDS_OEM_VERS", "CLASSIFICATION", "CREATION_DATE", "ORIGINATOR", "MESSAGE_ID"}
)
_METADATA: Final = frozenset(
    {
        "OBJECT_NAME", "OBJECT_ID", "CENTER_NAME", "REF_FRAME", "REF_FRAME_EPOCH", "TIME_SYSTEM",
        "START_TIME", "USEABLE_START_TIME", "USEABLE_STOP_TIME", "STOP_TIME", "INTERPOLATION",
        "INTERPOLATION_DEGREE",
    }
)  # fmt: skip
_STATE_KEYS: Final = ("EPOCH", "X", "Y", "Z", "X_DOT", "Y_DOT", "Z_DOT")
_ACCELERATION_KEYS: Final = ("X_DDOT", "Y_DDOT", "Z_DDOT")
_XML_UNITS: Final = {"X": "km", "Y": "km", "Z": "km", "X_DOT": "km/s", "Y_DOT": "km/s",
                     "Z_DOT": "km/s"}  # fmt: skip


@dataclass(slots=True)
class _Block:
    """One metadata group and the states that follow it, still as written."""

    line: int
    column: int
    metadata: dict[str, Field] = field(default_factory=dict)
    states: list[tuple[Field, ...]] = field(default_factory=list)
    covariances: list[WrittenCovariance] = field(default_factory=list)


def parse_oem(text: str | bytes, name: str | None = None) -> EphemerisTrack:
    """The track that a message describes.

    The form is told by the first character: ``<`` XML, anything else KVN. An ``ndm`` must hold
    one ``oem``.

    Args:
        name: of the target; by default the message's OBJECT_NAME.

    Raises:
        InputError: at the first thing that is wrong, with line and column: another centre than
            the Earth, an unknown frame or time system, segments of different objects, states out
            of order, usable spans that overlap.
    """
    check_size(text)
    probe = text[:4096] if isinstance(text, str) else text[:4096].decode("latin-1")
    if probe.lstrip("\ufeff\xef\xbb\xbf\xff\xfe \t\r\n").startswith("<"):
        blocks = list(_xml_blocks(parse_xml(text)))
    else:
        blocks = list(_kvn_blocks(as_text(text)))
    if not blocks:
        raise InputError("META_START and a block of states", "none")
    if sum(len(block.states) for block in blocks) > MAX_STATES:
        raise InputError(f"at most {MAX_STATES} states", "more")
    messages = [
        Message(block.metadata, block.line, block.column, kind="an ephemeris") for block in blocks
    ]
    named = messages[0].need("OBJECT_NAME")
    for message in messages[1:]:
        other = message.need("OBJECT_NAME")
        if other.text != named.text:
            raise other.error(f"{named.text!r}, as in line {named.line}: one object a message")
    segments = [_segment(block, message) for block, message in zip(blocks, messages, strict=True)]
    for index in range(1, len(segments)):
        if segments[index].usable[0] < segments[index - 1].usable[1]:
            place = messages[index].need("START_TIME")
            raise place.error("segments in order, whose usable times do not overlap (5.2.4.4)")
    covariances = [
        found
        for block, message, segment in zip(blocks, messages, segments, strict=True)
        for found in _covariances(block, message, segment)
    ]
    return EphemerisTrack(
        messages[0].text("OBJECT_NAME", "") if name is None else name,
        tuple(segments),
        tuple(sorted(covariances, key=lambda each: each.instant)),
    )


def _kvn_blocks(text: str) -> Iterator[_Block]:
    fields = kvn_fields(text)
    header: dict[str, Field] = {}
    block: _Block | None = None
    where = "header"
    for found in fields:
        marker = found.text if not found.key else ""
        if not header and found.key != "CCSDS_OEM_VERS":
            raise found.error("CCSDS_OEM_VERS = 3.0 as the first line")
        if marker == "META_START" and where in ("header", "data"):
            if block is not None:
                yield block
            block, where = _Block(found.line, found.column), "metadata"
        elif marker == "META_STOP" and where == "metadata":
            where = "data"
        elif marker == "COVARIANCE_START" and where == "data":
            where = "covariance"
        elif marker == "COVARIANCE_STOP" and where == "covariance":
            where = "data"
        elif where == "covariance" and block is not None:
            _covariance_line(found, block.covariances)
        elif where == "header" and found.key:
            keep(found, header, _HEADER, "an OEM's header")
            if found.key == "CCSDS_OEM_VERS":
                _check_version(found)
        elif where == "metadata" and found.key and block is not None:
            keep(found, block.metadata, _METADATA, "an OEM's metadata")
        elif where == "data" and not found.key and block is not None:
            block.states.append(_state_line(found))
        else:
            raise found.error(_EXPECTED[where])
    if where in ("metadata", "covariance"):
        stop = "META_STOP" if where == "metadata" else "COVARIANCE_STOP"
        raise InputError(stop, "the end of the text")
    if block is not None:
        yield block


_ROW_LENGTHS: Final = (1, 2, 3, 4, 5, 6)


def _covariance_line(found: Field, into: list[WrittenCovariance]) -> None:
    """One line of a covariance: its epoch, its frame, or the next row of the lower triangle."""
    if found.key == "EPOCH":
        into.append(WrittenCovariance(epoch=found))
        return
    if not into:
        raise found.error("EPOCH as the first line of a covariance")
    if found.key == "COV_REF_FRAME" and not into[-1].values:
        into[-1].frame = found if found.text else None
        return
    parts = found.text.split()
    rows = [sum(_ROW_LENGTHS[:number]) for number in range(7)]
    row = rows.index(len(into[-1].values)) if len(into[-1].values) in rows[:6] else 6
    if found.key or row == 6 or len(parts) != _ROW_LENGTHS[row]:
        wanted = f"row {row + 1} of the covariance: {row + 1} numbers" if row < 6 else "EPOCH"
        raise found.error(wanted)
    into[-1].values += [Field("", part, found.line, found.column) for part in parts]


def _covariances(block: _Block, message: Message, segment: Segment) -> Iterator[Covariance]:
    """Covariances of instants for which there are states; others, and impossible ones, say
    nothing."""
    frame, system = message.frame(), message.time_system()
    last: Field | None = None
    for written in block.covariances:
        assert written.epoch is not None
        # The frame holds until another is named (5.2.4.10).
        written.frame = last = written.frame or last
        instant = instant_of(written.epoch, system)
        if len(written.values) != sum(_ROW_LENGTHS):
            raise written.epoch.error("six rows of the covariance after it", "fewer")
        if not segment.instants[0] <= instant <= segment.instants[-1]:
            continue
        position, velocity = segment.states(np.array([instant]))
        found = covariance_in_rtn(written, instant, frame, position[0], velocity[0])
        if found is not None:
            yield found


_EXPECTED: Final = {
    "header": "META_START after the header's keywords",
    "metadata": "keywords of the metadata, then META_STOP",
    "data": "a line of time, position and velocity, or META_START",
}


def _state_line(line: Field) -> tuple[Field, ...]:
    parts = line.text.split()
    if len(parts) not in (7, 10):
        raise line.error(
            "a time, three positions (km), three velocities (km/s) and no or three accelerations",
            f"{len(parts)} items: {shorten(line.text, 40)!r}",
        )
    fields: list[Field] = []
    at = 0
    for key, part in zip(_STATE_KEYS, parts, strict=False):
        at = line.text.index(part, at)
        fields.append(Field(key, part, line.line, line.column + at))
        at += len(part)
    return tuple(fields)


def _xml_blocks(root: Element) -> Iterator[_Block]:
    messages = root.all("oem") if root.name == "ndm" else [root]
    if root.name not in ("ndm", "oem") or len(messages) != 1:
        raise root.error("an oem element, or an ndm element that holds one", f"<{root.name}>")
    (message,) = messages
    version = message.attributes.get("version", "")
    _check_version(Field("CCSDS_OEM_VERS", version, message.line, message.column))
    body = message.child("body")
    for segment in body.all("segment") if body is not None else []:
        block = _Block(segment.line, segment.column)
        metadata, data = segment.child("metadata"), segment.child("data")
        for found in metadata.leaves() if metadata is not None else ():
            keep(found, block.metadata, _METADATA, "an OEM's metadata")
        for state in data.all("stateVector") if data is not None else []:
            block.states.append(_state_element(state))
        for each in data.all("covarianceMatrix") if data is not None else []:
            fields = {found.key: found for found in each.leaves()}
            written = covariance_of_keys(fields)
            if written is None or "EPOCH" not in fields:
                raise each.error("EPOCH and 21 elements in each covarianceMatrix", "fewer")
            written.epoch = fields["EPOCH"]
            block.covariances.append(written)
        yield block


def _state_element(state: Element) -> tuple[Field, ...]:
    values = {value.key: value for value in state.leaves()}
    for key in _STATE_KEYS:
        if key not in values:
            raise state.error(f"{key} in each stateVector", "none")
        unit = values[key].unit
        if unit and unit != _XML_UNITS.get(key):
            raise values[key].error(f"the unit {_XML_UNITS.get(key, 'none')}", f"[{unit}]")
    for key in values:
        if key not in _STATE_KEYS + _ACCELERATION_KEYS:
            raise values[key].error("EPOCH, position, velocity and acceleration only", key)
    return tuple(values[key] for key in _STATE_KEYS)


def _check_version(found: Field) -> None:
    if found.text not in VERSIONS:
        raise found.error(f"{' or '.join(VERSIONS)}: the versions of the message that are known")


def _segment(block: _Block, message: Message) -> Segment:
    frame, system = message.frame(), message.time_system()
    method, degree = _interpolation(message)
    if len(block.states) < 2:
        raise InputError(
            "at least two states after the metadata", f"{len(block.states)}",
            line=block.line, column=block.column,
        )  # fmt: skip
    instants = np.array([instant_of(state[0], system) for state in block.states])
    order = np.flatnonzero(np.diff(instants) <= 0)
    if len(order):
        raise block.states[int(order[0]) + 1][0].error("a time later than the line's before")
    values = np.array([[number_of(part) for part in state[1:]] for state in block.states])
    low = np.flatnonzero(np.linalg.norm(values[:, :3], axis=1) < _NEAREST_CENTRE_KM)
    if len(low):
        raise block.states[int(low[0])][1].error("a position (km) outside the Earth")
    position, velocity = to_teme(frame, instants, values[:, :3], values[:, 3:])
    return Segment(instants, position, velocity, _usable(message, system, instants), method, degree)


def _interpolation(message: Message) -> tuple[Method, int]:
    if not message.has("INTERPOLATION"):
        return DEFAULT_METHOD, DEFAULT_DEGREE
    found = message.need("INTERPOLATION")
    if found.text.upper() not in _METHODS:
        raise found.error(f"one of {', '.join(_METHODS)}")
    degree = whole_of(message.need("INTERPOLATION_DEGREE"), 1, MAX_DEGREE)
    if found.text.upper() == "LINEAR":
        return "LINEAR", 1
    return ("HERMITE" if found.text.upper() == "HERMITE" else "LAGRANGE"), degree


def _usable(message: Message, system: str, instants: np.ndarray) -> tuple[float, float]:
    """The usable span: as stated, and no further than there are states."""
    start, stop = (instant_of(message.need(k), system) for k in ("START_TIME", "STOP_TIME"))
    if stop <= start:
        raise message.need("STOP_TIME").error("a time after START_TIME")
    if message.has("USEABLE_START_TIME"):
        start = instant_of(message.need("USEABLE_START_TIME"), system)
    if message.has("USEABLE_STOP_TIME"):
        stop = instant_of(message.need("USEABLE_STOP_TIME"), system)
    start, stop = max(start, float(instants[0])), min(stop, float(instants[-1]))
    if stop <= start:
        raise message.need("START_TIME").error("a usable span in which there are states")
    return start, stop
