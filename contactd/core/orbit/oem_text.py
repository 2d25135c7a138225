"""Orbit ephemeris messages (OEM): states of any track to KVN and XML text.

Source: CCSDS 502.0-B-3 sections 5 and 7 (KVN), CCSDS 505.0-B (XML).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.instants import to_text
from contactd.core.orbit.inertial import from_teme
from contactd.core.orbit.omm_text import escape, kvn_line
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

VERSION: Final = "3.0"
MAX_STATES: Final = 1_000_000
DEGREE: Final = 7
_XML_NAMES: Final = ("X", "Y", "Z", "X_DOT", "Y_DOT", "Z_DOT")


def format_oem(
    track: Track,
    start: float,
    end: float,
    step_s: float = 60.0,
    style: str = "kvn",
    *,
    frame: str = "EME2000",
    object_id: str = "UNKNOWN",
    originator: str = "CONTACTD",
    created: float | None = None,
) -> str:
    """Text of a message with a track's states in UTC, one segment for each piece of its validity.

    Each segment is to be interpolated by Hermite's polynomials of degree 7 (less where it holds
    fewer than four states).

    Args:
        start, end: instants (s), both included where the track is valid there.
        step_s: distance of states; the last one of a segment stands at its end.
        style: ``kvn`` or ``xml``.
        frame: EME2000 by default (TEME is for two-line sets only, 4.2.4.9), GCRF, ITRF or TEME.
        created: instant (s) of making; ``start`` where it is not given.

    Raises:
        InputError: if a name cannot be written in KVN.
        ValueError: for another style, or too many states, or a span without any.
    """
    if style not in ("kvn", "xml"):
        raise ValueError(f"style is {style!r}; kvn or xml is expected")
    pieces = list(track.validity.clip(start, end))
    if not pieces:
        raise ValueError("the track has no states in the span")
    if sum((high - low) / step_s + 2 for low, high in pieces) > MAX_STATES:
        raise ValueError(f"more than {MAX_STATES} states: choose longer steps")
    header = {
        "CREATION_DATE": to_text(start if created is None else created, 0).removesuffix("Z"),
        "ORIGINATOR": originator,
    }
    parts = [_segment(track, low, high, step_s, frame, object_id) for low, high in pieces]
    return _kvn(header, parts) if style == "kvn" else _xml(header, parts)


_Part = tuple[dict[str, str], list[str], FloatArray]


def _segment(
    track: Track, low: float, high: float, step_s: float, frame: str, object_id: str
) -> _Part:
    count = max(int(np.ceil((high - low) / step_s - 1e-9)), 1)
    instants = np.minimum(low + step_s * np.arange(count + 1), high)
    # Times as they will be read: to the microsecond, and inside the piece's open end.
    instants = np.round(instants, 6)
    states = track.states(instants)
    if np.isnan(states[0][-1]).any():
        instants = np.append(instants[:-1], np.floor((high - 1e-6) * 1e6) / 1e6)
        states = track.states(instants)
    good = ~np.isnan(states[0]).any(axis=1)
    instants = instants[good]
    position, velocity = from_teme(frame, instants, states[0][good], states[1][good])
    times = [to_text(float(at), 6).removesuffix("Z") for at in instants]
    metadata = {
        "OBJECT_NAME": track.name or "UNKNOWN",
        "OBJECT_ID": object_id,
        "CENTER_NAME": "EARTH",
        "REF_FRAME": "ITRF2020" if frame == "ITRF" else frame,
        "TIME_SYSTEM": "UTC",
        "START_TIME": times[0],
        "STOP_TIME": times[-1],
        "INTERPOLATION": "HERMITE",
        "INTERPOLATION_DEGREE": str(min(DEGREE, 2 * len(times) - 1)),
    }
    return metadata, times, np.hstack([position, velocity])


def _numbers(row: FloatArray) -> list[str]:
    return [f"{value:.9f}" for value in row[:3]] + [f"{value:.12f}" for value in row[3:]]


def _kvn(header: dict[str, str], parts: list[_Part]) -> str:
    lines = [f"CCSDS_OEM_VERS = {VERSION}"]
    lines += [kvn_line(key, value) for key, value in header.items()]
    for metadata, times, rows in parts:
        lines.append("META_START")
        lines += [kvn_line(key, value) for key, value in metadata.items()]
        lines.append("META_STOP")
        lines += [" ".join([time, *_numbers(row)]) for time, row in zip(times, rows, strict=True)]
    return "\n".join(lines) + "\n"


def _xml(header: dict[str, str], parts: list[_Part]) -> str:
    lines = ['<?xml version="1.0" encoding="UTF-8"?>']
    lines.append(f'<oem id="CCSDS_OEM_VERS" version="{VERSION}">')
    lines += ["  <header>", *_elements(header, "    "), "  </header>", "  <body>"]
    for metadata, times, rows in parts:
        lines += ["    <segment>", "      <metadata>", *_elements(metadata, "        ")]
        lines += ["      </metadata>", "      <data>"]
        for time, row in zip(times, rows, strict=True):
            values = "".join(
                f"<{name}>{value}</{name}>"
                for name, value in zip(_XML_NAMES, _numbers(row), strict=True)
            )
            lines.append(f"        <stateVector><EPOCH>{time}</EPOCH>{values}</stateVector>")
        lines += ["      </data>", "    </segment>"]
    return "\n".join([*lines, "  </body>", "</oem>"]) + "\n"


def _elements(pairs: dict[str, str], margin: str) -> list[str]:
    return [f"{margin}<{key}>{escape(value)}</{key}>" for key, value in pairs.items()]
