"""Orbit mean-elements messages (OMM) in KVN, XML and JSON: text to :class:`ElementSet`.

Source: CCSDS 502.0-B-3, *Orbit Data Messages* (April 2023), sections 4 and 7, for KVN; CCSDS
505.0-B, *XML Specification for Navigation Data Messages*, for XML. No standard sets the JSON form:
it is the common practice of those who publish element sets, a list of flat objects with the same
keywords.

Only messages for SGP4 can be used: theory SGP4 (or SGP/SGP4), centre EARTH, frame TEME, time UTC.
MEAN_MOTION_DOT and MEAN_MOTION_DDOT are kept as printed. Section 4.2.4.7 calls them derivatives,
while those who publish messages (and the standard's own figure G-7) copy the fields of a two-line
set, which hold a half and a sixth of them; SGP4 uses neither.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from contactd.core.errors import InputError
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.kvn import kvn_fields
from contactd.core.orbit.message import VERSIONS, Message, keep
from contactd.core.orbit.ndm_json import json_messages
from contactd.core.orbit.ndm_xml import Element, parse_xml
from contactd.core.orbit.omm_text import format_omm
from contactd.core.orbit.text import Field, check_size, utc_of

__all__ = ["format_omm", "parse_omm"]

GREATEST_CATALOGUE_NUMBER: Final = 999_999_999
GREATEST_MEAN_MOTION: Final = 20.0

_THEORIES: Final = ("SGP4", "SGP/SGP4")
_EPHEMERIS_TYPES: Final = ("0", "1", "2")

_UNITS: Final[Mapping[str, tuple[str, ...]]] = {
    "SEMI_MAJOR_AXIS": ("km",),
    "MEAN_MOTION": ("rev/day",),
    "INCLINATION": ("deg",),
    "RA_OF_ASC_NODE": ("deg",),
    "ARG_OF_PERICENTER": ("deg",),
    "MEAN_ANOMALY": ("deg",),
    "GM": ("km**3/s**2",),
    "MASS": ("kg",),
    "SOLAR_RAD_AREA": ("m**2",),
    "DRAG_AREA": ("m**2",),
    "BSTAR": ("1/ER", "1/[Earth radii]"),
    "BTERM": ("m**2/kg",),
    "MEAN_MOTION_DOT": ("rev/day**2",),
    "MEAN_MOTION_DDOT": ("rev/day**3",),
    "AGOM": ("m**2/kg",),
}
_KNOWN: Final = frozenset(_UNITS) | {
    "CCSDS_OMM_VERS", "CLASSIFICATION", "CREATION_DATE", "ORIGINATOR", "MESSAGE_ID",
    "OBJECT_NAME", "OBJECT_ID", "CENTER_NAME", "REF_FRAME", "REF_FRAME_EPOCH", "TIME_SYSTEM",
    "MEAN_ELEMENT_THEORY", "EPOCH", "ECCENTRICITY", "SOLAR_RAD_COEFF", "DRAG_COEFF",
    "EPHEMERIS_TYPE", "CLASSIFICATION_TYPE", "NORAD_CAT_ID", "ELEMENT_SET_NO", "REV_AT_EPOCH",
    "COV_REF_FRAME",
}  # fmt: skip
_UNREAD_PREFIXES: Final = ("USER_DEFINED_", "CX_", "CY_", "CZ_")


def parse_omm(text: str | bytes) -> tuple[ElementSet, ...]:
    """Element sets of one or more messages, in the order of the text.

    The form is told by the first character: ``<`` XML (one ``omm``, or several in an ``ndm``),
    ``{`` or ``[`` JSON (an object or a list), anything else KVN (one message or several in a row).
    Bytes are read as UTF-8, in XML also as its declaration says.

    Raises:
        InputError: at the first thing that is wrong, with line and column; for text longer than
            ``MAX_INPUT_BYTES``, for document types and entities, and for messages that SGP4
            cannot use.
    """
    check_size(text)
    start = (
        text[:4096].lstrip("\ufeff \t\r\n")
        if isinstance(text, str)
        else (text[:4096].lstrip(b"\xef\xbb\xbf \t\r\n").decode("latin-1"))
    )
    if start.startswith(("<", "\xff\xfe", "\xfe\xff")):
        messages = list(_xml_messages(parse_xml(text)))
    elif start.startswith(("{", "[")):
        messages = [
            _message(
                {field.key: field for field in fields}, fields[0].line, fields[0].column, False
            )
            for fields in json_messages(text)
        ]
    else:
        messages = list(_kvn_messages(kvn_fields(text)))
    if not messages:
        raise InputError("an orbit mean-elements message (OMM)", "none")
    return tuple(_elements(message) for message in messages)


def _message(fields: dict[str, Field], line: int, column: int, strict: bool = True) -> Message:
    return Message(fields, line, column, strict, _UNITS, "a message for SGP4")


def _keep(field: Field, into: dict[str, Field]) -> None:
    keep(field, into, _KNOWN, "an OMM", _UNREAD_PREFIXES)


def _kvn_messages(fields: Iterator[Field]) -> Iterator[Message]:
    current: dict[str, Field] = {}
    first: Field | None = None
    for field in fields:
        if not field.key:
            raise field.error("a line 'KEYWORD = value'")
        if field.key == "CCSDS_OMM_VERS":
            if first is not None:
                yield _message(current, first.line, first.column)
            current, first = {}, field
        elif first is None:
            raise field.error("CCSDS_OMM_VERS = 3.0 as the first line", field.key)
        _keep(field, current)
    if first is not None:
        yield _message(current, first.line, first.column)


def _xml_messages(root: Element) -> Iterator[Message]:
    if root.name not in ("ndm", "omm"):
        raise root.error("an omm element, or an ndm element that holds some", f"<{root.name}>")
    for message in root.all("omm") if root.name == "ndm" else [root]:
        fields: dict[str, Field] = {}
        body = message.child("body")
        segments = body.all("segment") if body is not None else []
        if len(segments) != 1:
            raise message.error("one segment in the body of an omm", f"{len(segments)}")
        version = message.attributes.get("version", "")
        _keep(Field("CCSDS_OMM_VERS", version, message.line, message.column), fields)
        header = message.child("header")
        for part in (header, segments[0].child("metadata"), segments[0].child("data")):
            for field in part.leaves() if part is not None else ():
                _keep(field, fields)
        yield _message(fields, message.line, message.column)


def _elements(message: Message) -> ElementSet:
    message.one_of("CCSDS_OMM_VERS", VERSIONS, "the versions of the message that are known")
    if message.strict:
        message.need("OBJECT_NAME")
    message.one_of("CENTER_NAME", ("EARTH",), "only orbits about the Earth can be used")
    message.one_of("REF_FRAME", ("TEME",), "the frame of elements for SGP4 (4.2.4.9)")
    message.one_of("TIME_SYSTEM", ("UTC",), "the time system of elements for SGP4")
    message.one_of("MEAN_ELEMENT_THEORY", _THEORIES, "elements of another theory cannot be used")
    if message.text("EPHEMERIS_TYPE", ""):
        message.one_of("EPHEMERIS_TYPE", _EPHEMERIS_TYPES, "others are of another theory")
    motion = message.need("MEAN_MOTION", " (not SEMI_MAJOR_AXIS)")
    mean_motion = message.number("MEAN_MOTION", 0.0, GREATEST_MEAN_MOTION)
    if mean_motion <= 0:
        raise motion.error("more than 0 revolutions a day")
    eccentricity = message.number("ECCENTRICITY", 0.0, 1.0)
    if eccentricity >= 1:
        raise message.need("ECCENTRICITY").error("less than 1")
    if message.has("GM"):
        message.number("GM", 0.0, None)
    return ElementSet(
        name=message.text("OBJECT_NAME", ""),
        catalogue_number=message.whole("NORAD_CAT_ID", GREATEST_CATALOGUE_NUMBER),
        international_designator=message.text("OBJECT_ID", ""),
        epoch=utc_of(message.need("EPOCH")),
        mean_motion_rev_per_day=mean_motion,
        eccentricity=eccentricity,
        inclination_deg=message.number("INCLINATION", 0.0, 180.0),
        raan_deg=message.number("RA_OF_ASC_NODE", -360.0, 360.0),
        argument_of_perigee_deg=message.number("ARG_OF_PERICENTER", -360.0, 360.0),
        mean_anomaly_deg=message.number("MEAN_ANOMALY", -360.0, 360.0),
        bstar_per_earth_radius=message.number("BSTAR", -10.0, 10.0),
        mean_motion_dot_rev_per_day2=message.number("MEAN_MOTION_DOT", -100.0, 100.0, 0.0),
        mean_motion_ddot_rev_per_day3=message.number("MEAN_MOTION_DDOT", -1e6, 1e6, 0.0),
        ephemeris_type=message.whole("EPHEMERIS_TYPE", 9),
        classification=message.text("CLASSIFICATION_TYPE", "U"),
        element_set_number=message.whole("ELEMENT_SET_NO", 999_999_999),
        revolution_number=message.whole("REV_AT_EPOCH", 999_999_999),
    )
