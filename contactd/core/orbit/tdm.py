"""Tracking data messages (TDM) in KVN and XML: what stations measured of targets.

Sources: CCSDS 503.0-B-2, *Tracking Data Message*, for keywords and their meaning (the keywords of
its versions 1.0 and 2.0 are read); CCSDS 505.0-B for XML.

Received and transmitted frequencies, Doppler, range and angles are read; what else a message may
hold (power, weather, clocks, phase counts, interferometry) is passed over, and counted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.errors import InputError
from contactd.core.ground.doppler import SPEED_OF_LIGHT_KM_S
from contactd.core.orbit.kvn import kvn_fields
from contactd.core.orbit.message import Message, keep
from contactd.core.orbit.ndm_xml import Element, parse_xml
from contactd.core.orbit.text import Field, as_text, check_size, instant_of, number_of, suggestion

FloatArray = NDArray[np.float64]

VERSIONS: Final = ("1.0", "2.0")
MAX_OBSERVATIONS: Final = 500_000
"""Most values of one message."""
_PARTICIPANTS: Final = 5
_NUMBERS: Final = tuple(range(1, _PARTICIPANTS + 1))
_PATH = re.compile(r"[1-5](,[1-5])+")

_HEADER: Final = frozenset({"CCSDS_TDM_VERS", "CREATION_DATE", "ORIGINATOR", "MESSAGE_ID"})
_METADATA: Final = frozenset(
    {
        "TRACK_ID", "DATA_TYPES", "TIME_SYSTEM", "START_TIME", "STOP_TIME", "MODE", "PATH",
        "PATH_1", "PATH_2", "TRANSMIT_BAND", "RECEIVE_BAND", "TURNAROUND_NUMERATOR",
        "TURNAROUND_DENOMINATOR", "TIMETAG_REF", "INTEGRATION_INTERVAL", "INTEGRATION_REF",
        "FREQ_OFFSET", "RANGE_MODE", "RANGE_MODULUS", "RANGE_UNITS", "ANGLE_TYPE",
        "REFERENCE_FRAME", "INTERPOLATION", "INTERPOLATION_DEGREE", "DOPPLER_COUNT_BIAS",
        "DOPPLER_COUNT_SCALE", "DOPPLER_COUNT_ROLLOVER", "DATA_QUALITY", "CORRECTION_ANGLE_1",
        "CORRECTION_ANGLE_2", "CORRECTION_DOPPLER", "CORRECTION_MAG", "CORRECTION_RANGE",
        "CORRECTION_RCS", "CORRECTION_RECEIVE", "CORRECTION_TRANSMIT",
        "CORRECTION_ABERRATION_YEARLY", "CORRECTION_ABERRATION_DIURNAL", "CORRECTIONS_APPLIED",
        *(f"PARTICIPANT_{n}" for n in _NUMBERS), *(f"EPHEMERIS_NAME_{n}" for n in _NUMBERS),
        *(f"TRANSMIT_DELAY_{n}" for n in _NUMBERS), *(f"RECEIVE_DELAY_{n}" for n in _NUMBERS),
    }
)  # fmt: skip
_READ: Final = frozenset(
    {
        "DOPPLER_INSTANTANEOUS", "DOPPLER_INTEGRATED", "RANGE", "ANGLE_1", "ANGLE_2",
        "RECEIVE_FREQ", *(f"RECEIVE_FREQ_{n}" for n in _NUMBERS),
        *(f"TRANSMIT_FREQ_{n}" for n in _NUMBERS), *(f"TRANSMIT_FREQ_RATE_{n}" for n in _NUMBERS),
    }
)  # fmt: skip
_PASSED_OVER: Final = frozenset(
    {
        "CARRIER_POWER", "DOPPLER_COUNT", "PC_N0", "PR_N0", "DOR", "VLBI_DELAY", "MAG", "RCS",
        "CLOCK_BIAS", "CLOCK_DRIFT", "STEC", "TROPO_DRY", "TROPO_WET", "PRESSURE", "RHUMIDITY",
        "TEMPERATURE", *(f"RECEIVE_PHASE_CT_{n}" for n in _NUMBERS),
        *(f"TRANSMIT_PHASE_CT_{n}" for n in _NUMBERS),
    }
)  # fmt: skip
_DATA: Final = _READ | _PASSED_OVER
_TIMED_BY_RECEPTION: Final = ("DOPPLER_INSTANTANEOUS", "DOPPLER_INTEGRATED", "RANGE")
_ANGLE_TYPES: Final = ("AZEL", "RADEC", "XEYN", "XSYE")
_UNIT_KM: Final = {"KM": 1.0, "S": SPEED_OF_LIGHT_KM_S}
_EXPECTED: Final = {
    "header": "META_START after the header's keywords",
    "metadata": "keywords of the metadata, then META_STOP",
    "meta": "DATA_START after META_STOP",
    "data": "a data keyword, a time and a number, or DATA_STOP",
    "end": "META_START, or the end of the text",
}


@dataclass(frozen=True, slots=True)
class Series:
    """Values of one data keyword: instants (s), ascending, and values, both ``[n]``."""

    instants: FloatArray
    values: FloatArray

    def __len__(self) -> int:
        return len(self.instants)


@dataclass(frozen=True, slots=True)
class TrackingSegment:
    """One segment: who measured whom, and what.

    Attributes:
        participants: names as written, quotes dropped, by number.
        path: numbers of participants in the order in which the signal goes; for angles alone it may
            be that of light, from the target to the telescope.
        received_hz: full frequencies (offset and correction added), or None.
        transmitted_hz, transmitted_hz_s: frequencies sent and their rates by participant's number.
        turnaround: ratio of the frequency sent back to the frequency received aboard.
        range_rate_km_s: instantaneous Doppler, positive when receding; or None.
        mean_range_rate_km_s: the same as means over ``integration_s``, by their middles.
        range_km: as written, in kilometres, with its correction; over the whole path there and
            back, or over half of it, as its writer holds it.
        angles_deg: ``[n, 2]`` at ``angles_at``, as ``angle_type`` has them.
        unused: why something that was measured cannot be used, a sentence each.
        passed_over: how many values of other kinds there were.
        line: of the segment's metadata.
    """

    participants: Mapping[int, str]
    path: tuple[int, ...]
    received_hz: Series | None = None
    transmitted_hz: Mapping[int, Series] = field(default_factory=dict)
    transmitted_hz_s: Mapping[int, Series] = field(default_factory=dict)
    turnaround: float | None = None
    range_rate_km_s: Series | None = None
    mean_range_rate_km_s: Series | None = None
    integration_s: float = 0.0
    range_km: Series | None = None
    angles_at: FloatArray | None = None
    angles_deg: FloatArray | None = None
    angle_type: str = ""
    reference_frame: str = ""
    degraded: bool = False
    unused: tuple[str, ...] = ()
    passed_over: int = 0
    line: int = 0

    @property
    def is_two_way(self) -> bool:
        """Whether the signal returns to where it came from."""
        return len(self.path) == 3 and self.path[0] == self.path[-1]


@dataclass(frozen=True, slots=True)
class TrackingData:
    """What one message holds."""

    originator: str
    segments: tuple[TrackingSegment, ...]


@dataclass(slots=True)
class _Block:
    """One segment, still as written: metadata, and (keyword, time, value) of each observation."""

    line: int
    column: int
    metadata: dict[str, Field] = field(default_factory=dict)
    data: list[tuple[Field, Field]] = field(default_factory=list)


def parse_tdm(text: str | bytes) -> TrackingData:
    """The segments of a message, in the order of the text.

    The form is told by the first character: ``<`` XML, anything else KVN.

    Raises:
        InputError: at the first thing that is wrong, with line and column. What is right and
            cannot be used (an ambiguous range, times of transmission, two paths) is left out, and
            the segment says why.
    """
    check_size(text)
    probe = text[:4096] if isinstance(text, str) else text[:4096].decode("latin-1")
    header: dict[str, Field] = {}
    if probe.lstrip("\ufeff\xef\xbb\xbf\xff\xfe \t\r\n").startswith("<"):
        blocks = list(_xml_blocks(parse_xml(text), header))
    else:
        blocks = list(_kvn_blocks(as_text(text), header))
    if not blocks:
        raise InputError("META_START and a segment of data", "none")
    if sum(len(block.data) for block in blocks) > MAX_OBSERVATIONS:
        raise InputError(f"at most {MAX_OBSERVATIONS} values", "more")
    originator = header["ORIGINATOR"].text if "ORIGINATOR" in header else ""
    return TrackingData(originator, tuple(map(_segment, blocks)))


def _kvn_blocks(text: str, header: dict[str, Field]) -> Iterator[_Block]:
    block: _Block | None = None
    where = "header"
    for found in kvn_fields(text):
        marker = found.text if not found.key else ""
        if not header and found.key != "CCSDS_TDM_VERS":
            raise InputError(
                "CCSDS_TDM_VERS = 2.0 as the first line", found.key or found.text,
                line=found.line, column=found.column if not found.key else 1,
            )  # fmt: skip
        if marker == "META_START" and where in ("header", "end"):
            block, where = _Block(found.line, found.column), "metadata"
        elif marker == "META_STOP" and where == "metadata":
            where = "meta"
        elif marker == "DATA_START" and where == "meta":
            where = "data"
        elif marker == "DATA_STOP" and where == "data" and block is not None:
            yield block
            where = "end"
        elif where == "header" and found.key:
            keep(found, header, _HEADER, "a TDM's header")
            _check_version(found)
        elif where == "metadata" and found.key and block is not None:
            keep(found, block.metadata, _METADATA, "a TDM's metadata")
        elif where == "data" and found.key and block is not None:
            block.data.append(_observation(found))
        else:
            raise found.error(_EXPECTED[where])
    if where in ("metadata", "meta", "data"):
        stop = {"metadata": "META_STOP", "meta": "DATA_START", "data": "DATA_STOP"}[where]
        raise InputError(stop, "the end of the text")


def _observation(found: Field) -> tuple[Field, Field]:
    _check_keyword(found)
    time, _, value = found.text.partition(" ")
    if not value:
        raise found.error("a time and a number, separated by a blank")
    number = value.strip()
    column = found.column + found.text.rindex(number)
    return (
        Field(found.key, time, found.line, found.column),
        Field(found.key, number, found.line, column),
    )


def _check_keyword(found: Field) -> None:
    if found.key not in _DATA:
        raise InputError(
            f"a data keyword of a TDM{suggestion(found.key, _DATA)}", found.key, found.key,
            line=found.line, column=found.column,
        )  # fmt: skip


def _check_version(found: Field) -> None:
    if found.key == "CCSDS_TDM_VERS" and found.text not in VERSIONS:
        raise found.error(f"{' or '.join(VERSIONS)}: the versions of the message that are known")


def _xml_blocks(root: Element, header: dict[str, Field]) -> Iterator[_Block]:
    messages = root.all("tdm") if root.name == "ndm" else [root]
    if root.name not in ("ndm", "tdm") or len(messages) != 1:
        raise root.error("a tdm element, or an ndm element that holds one", f"<{root.name}>")
    (message,) = messages
    version = message.attributes.get("version", "")
    _check_version(Field("CCSDS_TDM_VERS", version, message.line, message.column))
    head, body = message.child("header"), message.child("body")
    for found in head.leaves() if head is not None else ():
        keep(found, header, _HEADER, "a TDM's header")
    for segment in body.all("segment") if body is not None else []:
        block = _Block(segment.line, segment.column)
        metadata, data = segment.child("metadata"), segment.child("data")
        for found in metadata.leaves() if metadata is not None else ():
            keep(found, block.metadata, _METADATA, "a TDM's metadata")
        for each in data.all("observation") if data is not None else []:
            epoch, *values = list(each.leaves())
            if epoch.key != "EPOCH" or len(values) != 1:
                raise each.error("EPOCH and one value in each observation", "other elements")
            _check_keyword(values[0])
            block.data.append((epoch, values[0]))
        yield block


def _segment(block: _Block) -> TrackingSegment:
    message = Message(block.metadata, block.line, block.column, kind="a tracking segment")
    series, passed_over = _values(block, message.time_system())
    participants = {
        n: message.need(f"PARTICIPANT_{n}").text.strip("'\"‘’“”").strip()
        for n in _NUMBERS
        if message.has(f"PARTICIPANT_{n}")
    }
    if not participants:
        message.need("PARTICIPANT_1")
    unused: list[str] = []
    path = _path(message, participants, unused)
    fixed = _Corrections(message)
    if message.text("TIMETAG_REF", "RECEIVE").upper() != "RECEIVE":
        late = [key for key in series if key in _TIMED_BY_RECEPTION or key.startswith("RECEIVE_")]
        unused += [f"{key}: timed by its transmission, not its reception" for key in late]
        series = {key: each for key, each in series.items() if key not in late}
    integration_s, mean_rate = _means(message, series.get("DOPPLER_INTEGRATED"))
    angles_at, angles = _angles(message, series, fixed)
    return TrackingSegment(
        participants,
        path,
        received_hz=_received(message, series, path, fixed),
        transmitted_hz=_by_number(series, "TRANSMIT_FREQ_", fixed.of("CORRECTION_TRANSMIT")),
        transmitted_hz_s=_by_number(series, "TRANSMIT_FREQ_RATE_", 0.0),
        turnaround=_turnaround(message),
        range_rate_km_s=fixed.added(series.get("DOPPLER_INSTANTANEOUS"), "CORRECTION_DOPPLER"),
        mean_range_rate_km_s=fixed.added(mean_rate, "CORRECTION_DOPPLER"),
        integration_s=integration_s,
        range_km=_range(message, series.get("RANGE"), fixed, unused),
        angles_at=angles_at,
        angles_deg=angles,
        angle_type=message.text("ANGLE_TYPE", "").upper() if angles is not None else "",
        reference_frame=message.text("REFERENCE_FRAME", "").upper(),
        degraded=message.text("DATA_QUALITY", "").upper() == "DEGRADED",
        unused=tuple(unused),
        passed_over=passed_over,
        line=block.line,
    )


def _values(block: _Block, system: str) -> tuple[dict[str, Series], int]:
    """The series of each keyword that is read, and how many values of others there were."""
    values: dict[str, list[tuple[float, float]]] = {}
    passed_over = 0
    for time, value in block.data:
        if value.key in _PASSED_OVER:
            passed_over += 1
            continue
        pair = (instant_of(time, system), number_of(value))
        values.setdefault(value.key, []).append(pair)
    return {key: _series(pairs) for key, pairs in values.items()}, passed_over


def _series(pairs: list[tuple[float, float]]) -> Series:
    found = np.array(sorted(pairs), dtype=np.float64)
    return Series(found[:, 0].copy(), found[:, 1].copy())


def _path(message: Message, participants: Mapping[int, str], unused: list[str]) -> tuple[int, ...]:
    if not message.has("PATH"):
        if message.has("PATH_1") or message.has("PATH_2"):
            unused.append("data of two paths at once (PATH_1, PATH_2)")
        return ()
    found = message.need("PATH")
    text = found.text.replace(" ", "")
    if _PATH.fullmatch(text) is None:
        raise found.error("participants' numbers separated by commas, such as 1,2,1")
    numbers = tuple(int(part) for part in text.split(","))
    for number in numbers:
        if number not in participants:
            raise found.error(f"numbers of participants (there is no PARTICIPANT_{number})")
    return numbers


class _Corrections:
    """Corrections that a message states, where they are still to be added."""

    def __init__(self, message: Message) -> None:
        applied = message.text("CORRECTIONS_APPLIED", "").upper()
        if applied not in ("", "YES", "NO"):
            raise message.need("CORRECTIONS_APPLIED").error("YES or NO")
        stated = [key for key in message.fields if key.startswith("CORRECTION_")]
        if stated and not applied:
            raise message.need(stated[0]).error(
                "CORRECTIONS_APPLIED = YES or NO beside it: it is not known whether to add it"
            )
        self._message, self._add = message, applied == "NO"

    def of(self, key: str) -> float:
        """What is to be added."""
        return self._message.number(key, default=0.0) if self._add else 0.0

    def added(self, series: Series | None, key: str) -> Series | None:
        """The series, corrected."""
        return None if series is None else Series(series.instants, series.values + self.of(key))


def _received(
    message: Message, series: Mapping[str, Series], path: tuple[int, ...], fixed: _Corrections
) -> Series | None:
    keys = [key for key in series if key.startswith("RECEIVE_FREQ")]
    if not keys:
        return None
    if len(keys) > 1:
        raise message.need("PATH").error(f"one receiver ({' and '.join(sorted(keys))} are given)")
    found = series[keys[0]]
    if path and keys[0] != "RECEIVE_FREQ" and int(keys[0][-1]) != path[-1]:
        raise message.need("PATH").error(f"a path that ends at the receiver of {keys[0]}")
    offset_hz = message.number("FREQ_OFFSET", default=0.0)
    full = Series(found.instants, found.values + offset_hz)
    return fixed.added(full, "CORRECTION_RECEIVE")


def _by_number(series: Mapping[str, Series], start: str, add: float) -> dict[int, Series]:
    return {
        int(key.removeprefix(start)): Series(each.instants, each.values + add)
        for key, each in series.items()
        if key.removeprefix(start).isdigit() and key.startswith(start)
    }


def _turnaround(message: Message) -> float | None:
    if not message.has("TURNAROUND_NUMERATOR") or not message.has("TURNAROUND_DENOMINATOR"):
        return None
    above = message.number("TURNAROUND_NUMERATOR", 1.0)
    return above / message.number("TURNAROUND_DENOMINATOR", 1.0)


def _means(message: Message, series: Series | None) -> tuple[float, Series | None]:
    """How long the means are taken over (s), and the series by their middles."""
    if series is None:
        return 0.0, None
    length_s = message.number("INTEGRATION_INTERVAL", 0.0)
    if length_s <= 0:
        raise message.need("INTEGRATION_INTERVAL").error("more than 0 s")
    found = message.need("INTEGRATION_REF", ", which tells when a mean value is of")
    share = {"START": 0.5, "MIDDLE": 0.0, "END": -0.5}.get(found.text.upper())
    if share is None:
        raise found.error("START, MIDDLE or END")
    return length_s, Series(series.instants + share * length_s, series.values)


def _range(
    message: Message, series: Series | None, fixed: _Corrections, unused: list[str]
) -> Series | None:
    if series is None:
        return None
    unit = message.text("RANGE_UNITS", "km").upper()
    if message.has("RANGE_MODULUS") and message.number("RANGE_MODULUS", 0.0) != 0.0:
        modulus = message.need("RANGE_MODULUS").text
        unused.append(f"RANGE: ambiguous by RANGE_MODULUS {modulus}")
        return None
    if unit not in _UNIT_KM:
        unused.append(f"RANGE: in units of the ranging system ({unit}), not km or s")
        return None
    corrected = fixed.added(series, "CORRECTION_RANGE")
    assert corrected is not None
    return Series(corrected.instants, corrected.values * _UNIT_KM[unit])


def _angles(
    message: Message, series: Mapping[str, Series], fixed: _Corrections
) -> tuple[FloatArray | None, FloatArray | None]:
    """Instants at which both angles were measured, and the angles ``[n, 2]`` (deg)."""
    first, second = series.get("ANGLE_1"), series.get("ANGLE_2")
    if first is None or second is None:
        return None, None
    found = message.need("ANGLE_TYPE", ", which tells what the angles are")
    if found.text.upper() not in _ANGLE_TYPES:
        raise found.error(f"one of {', '.join(_ANGLE_TYPES)}")
    at, one, other = np.intersect1d(first.instants, second.instants, return_indices=True)
    angles = np.stack(
        [
            first.values[one] + fixed.of("CORRECTION_ANGLE_1"),
            second.values[other] + fixed.of("CORRECTION_ANGLE_2"),
        ],
        axis=-1,
    )
    return np.asarray(at), np.asarray(angles)
