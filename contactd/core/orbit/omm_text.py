"""Orbit mean-elements messages (OMM): :class:`ElementSet` to KVN, XML and JSON text.

Source: CCSDS 502.0-B-3 section 4 (KVN) and CCSDS 505.0-B (XML); the JSON form is common practice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Final, Literal

from contactd.core.errors import InputError
from contactd.core.instants import to_text
from contactd.core.orbit.elements import ElementSet

Style = Literal["kvn", "xml", "json"]
VERSION: Final = "3.0"
MAX_LINE_LENGTH: Final = 254

_Pairs = list[tuple[str, str | int | float]]


def format_omm(
    elements: ElementSet | Sequence[ElementSet],
    style: str = "kvn",
    *,
    originator: str = "CONTACTD",
    created: float | None = None,
) -> str:
    """Text of a message for one element set, or of several.

    Several sets become messages in a row (KVN), an ``ndm`` (XML) or a list of objects (JSON, which
    is a list for a single set too).

    Args:
        style: ``kvn``, ``xml`` or ``json``.
        originator: who makes the message.
        created: instant (s) of making; the epoch where it is not given.

    Raises:
        InputError: if a text value cannot be written (KVN is printable ASCII only).
        ValueError: for another style.
    """
    sets = [elements] if isinstance(elements, ElementSet) else list(elements)
    parts = [_parts(each, originator, each.epoch if created is None else created) for each in sets]
    writers: dict[str, Callable[[list[dict[str, _Pairs]]], str]] = {
        "kvn": _kvn,
        "xml": _xml,
        "json": _json,
    }
    if style not in writers:
        raise ValueError(f"style is {style!r}; kvn, xml or json is expected")
    return writers[style](parts)


def decimal(value: float) -> str:
    """The shortest text that reads back as the same number, with a digit round the point (7.5)."""
    text = repr(float(value))
    mantissa, mark, power = text.partition("e")
    if mark and "." not in mantissa:
        mantissa += ".0"
    return mantissa + (f"E{power}" if mark else "")


def escape(text: str) -> str:
    """Text for an XML element or attribute."""
    return (
        text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")
    )


def kvn_line(key: str, value: str | int | float) -> str:
    """One assignment.

    Raises:
        InputError: if the value is no printable ASCII, or the line too long.
    """
    shown = decimal(value) if isinstance(value, float) else str(value)
    line = f"{key} = {shown}"
    if not (line.isascii() and line.isprintable()):
        raise InputError("printable ASCII, as KVN demands; write XML instead", repr(shown), key)
    if len(line) > MAX_LINE_LENGTH:
        raise InputError(f"at most {MAX_LINE_LENGTH} characters a line", f"{len(line)}", key)
    return line


def _parts(elements: ElementSet, originator: str, created: float) -> dict[str, _Pairs]:
    return {
        "header": [
            ("CREATION_DATE", to_text(created, 0).removesuffix("Z")),
            ("ORIGINATOR", originator),
        ],
        "metadata": [
            ("OBJECT_NAME", elements.name or "UNKNOWN"),
            ("OBJECT_ID", elements.international_designator or "UNKNOWN"),
            ("CENTER_NAME", "EARTH"),
            ("REF_FRAME", "TEME"),
            ("TIME_SYSTEM", "UTC"),
            ("MEAN_ELEMENT_THEORY", "SGP4"),
        ],
        "meanElements": [
            ("EPOCH", to_text(elements.epoch, 6).removesuffix("Z")),
            ("MEAN_MOTION", float(elements.mean_motion_rev_per_day)),
            ("ECCENTRICITY", float(elements.eccentricity)),
            ("INCLINATION", float(elements.inclination_deg)),
            ("RA_OF_ASC_NODE", float(elements.raan_deg)),
            ("ARG_OF_PERICENTER", float(elements.argument_of_perigee_deg)),
            ("MEAN_ANOMALY", float(elements.mean_anomaly_deg)),
        ],
        "tleParameters": [
            ("EPHEMERIS_TYPE", elements.ephemeris_type),
            ("CLASSIFICATION_TYPE", elements.classification),
            ("NORAD_CAT_ID", elements.catalogue_number),
            ("ELEMENT_SET_NO", elements.element_set_number),
            ("REV_AT_EPOCH", elements.revolution_number),
            ("BSTAR", float(elements.bstar_per_earth_radius)),
            ("MEAN_MOTION_DOT", float(elements.mean_motion_dot_rev_per_day2)),
            ("MEAN_MOTION_DDOT", float(elements.mean_motion_ddot_rev_per_day3)),
        ],
    }


def _kvn(messages: list[dict[str, _Pairs]]) -> str:
    lines: list[str] = []
    for parts in messages:
        lines.append(f"CCSDS_OMM_VERS = {VERSION}")
        lines.extend(kvn_line(key, value) for pairs in parts.values() for key, value in pairs)
    return "\n".join(lines) + "\n"


def _xml(messages: list[dict[str, _Pairs]]) -> str:
    alone = len(messages) == 1
    margin = "" if alone else "  "
    lines = ['<?xml version="1.0" encoding="UTF-8"?>'] + ([] if alone else ["<ndm>"])
    for parts in messages:
        lines.append(f'{margin}<omm id="CCSDS_OMM_VERS" version="{VERSION}">')
        lines += _xml_part("header", parts["header"], margin + "  ")
        lines += [f"{margin}  <body>", f"{margin}    <segment>"]
        lines += _xml_part("metadata", parts["metadata"], margin + "      ")
        lines.append(f"{margin}      <data>")
        for name in ("meanElements", "tleParameters"):
            lines += _xml_part(name, parts[name], margin + "        ")
        lines += [f"{margin}      </data>", f"{margin}    </segment>", f"{margin}  </body>"]
        lines.append(f"{margin}</omm>")
    return "\n".join(lines + ([] if alone else ["</ndm>"])) + "\n"


def _xml_part(name: str, pairs: _Pairs, margin: str) -> list[str]:
    inner = [
        f"{margin}  <{key}>{escape(decimal(v) if isinstance(v, float) else str(v))}</{key}>"
        for key, v in pairs
    ]
    return [f"{margin}<{name}>", *inner, f"{margin}</{name}>"]


def _json(messages: list[dict[str, _Pairs]]) -> str:
    flat: list[dict[str, str | int | float]] = []
    for parts in messages:
        flat.append({"CCSDS_OMM_VERS": VERSION})
        for pairs in parts.values():
            flat[-1].update(pairs)
    return json.dumps(flat, indent=2, ensure_ascii=False) + "\n"
