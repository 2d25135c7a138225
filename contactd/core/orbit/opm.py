"""Orbit parameter messages (OPM) in KVN and XML: one state, the spacecraft, planned manoeuvres.

Source: CCSDS 502.0-B-3, *Orbit Data Messages* (April 2023), sections 3 and 7; CCSDS 505.0-B for
XML. The Cartesian state is used; Keplerian elements beside it only repeat it and are passed over.
A burn is taken as an impulse at its middle.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from contactd.core.errors import InputError
from contactd.core.instants import to_text
from contactd.core.orbit.covariance_text import (
    COVARIANCE_KEYS,
    covariance_in_rtn,
    covariance_of_keys,
)
from contactd.core.orbit.inertial import frame_named, from_teme
from contactd.core.orbit.kvn import kvn_fields
from contactd.core.orbit.manoeuvres import MAX_MANOEUVRES, Manoeuvre
from contactd.core.orbit.message import VERSIONS, Message, keep
from contactd.core.orbit.ndm_xml import Element, parse_xml
from contactd.core.orbit.omm_text import escape, kvn_line
from contactd.core.orbit.states import Spacecraft, StateVector, state_from_cartesian
from contactd.core.orbit.text import Field, check_size, instant_of

_LOCAL_FRAMES: Final = ("RTN", "RSW", "TNW")
_NEAREST_CENTRE_KM: Final = 6_300.0
_FASTEST_KM_S: Final = 20.0

_UNITS: Final[Mapping[str, tuple[str, ...]]] = {
    "X": ("km",), "Y": ("km",), "Z": ("km",),
    "X_DOT": ("km/s",), "Y_DOT": ("km/s",), "Z_DOT": ("km/s",),
    "MASS": ("kg",), "DRAG_AREA": ("m**2",), "SOLAR_RAD_AREA": ("m**2",),
    "MAN_DURATION": ("s",), "MAN_DELTA_MASS": ("kg",),
    "MAN_DV_1": ("km/s",), "MAN_DV_2": ("km/s",), "MAN_DV_3": ("km/s",),
}  # fmt: skip
_MANOEUVRE_KEYS: Final = frozenset(
    {"MAN_EPOCH_IGNITION", "MAN_DURATION", "MAN_DELTA_MASS", "MAN_REF_FRAME", "MAN_DV_1",
     "MAN_DV_2", "MAN_DV_3"}
)  # fmt: skip
_KNOWN: Final = frozenset(COVARIANCE_KEYS) | frozenset(
    {
        "CCSDS_OPM_VERS", "CLASSIFICATION", "CREATION_DATE", "ORIGINATOR", "MESSAGE_ID",
        "OBJECT_NAME", "OBJECT_ID", "CENTER_NAME", "REF_FRAME", "REF_FRAME_EPOCH", "TIME_SYSTEM",
        "EPOCH", "X", "Y", "Z", "X_DOT", "Y_DOT", "Z_DOT", "SEMI_MAJOR_AXIS", "ECCENTRICITY",
        "INCLINATION", "RA_OF_ASC_NODE", "ARG_OF_PERICENTER", "TRUE_ANOMALY", "MEAN_ANOMALY",
        "GM", "MASS", "SOLAR_RAD_AREA", "SOLAR_RAD_COEFF", "DRAG_AREA", "DRAG_COEFF",
        "COV_REF_FRAME",
    }
)  # fmt: skip
_UNREAD_PREFIXES: Final = ("USER_DEFINED_",)


@dataclass(frozen=True, slots=True)
class OrbitParameters:
    """What an OPM says.

    Attributes:
        spacecraft: with no drag area, drag is left out.
        manoeuvres: planned ones, in order of time, without bounds (an OPM states none).
    """

    name: str
    object_id: str
    state: StateVector
    spacecraft: Spacecraft = Spacecraft()  # noqa: RUF009 - frozen
    manoeuvres: tuple[Manoeuvre, ...] = ()


@dataclass(slots=True)
class _Parts:
    """The message's own fields, and those of each manoeuvre."""

    fields: dict[str, Field]
    manoeuvres: list[dict[str, Field]]
    line: int
    column: int


def parse_opm(text: str | bytes) -> OrbitParameters:
    """The state, spacecraft and manoeuvres that a message describes.

    The form is told by the first character: ``<`` XML, anything else KVN.

    Raises:
        InputError: at the first thing that is wrong, with line and column.
    """
    check_size(text)
    probe = text[:4096] if isinstance(text, str) else text[:4096].decode("latin-1")
    if probe.lstrip("\ufeff\xef\xbb\xbf\xff\xfe \t\r\n").startswith("<"):
        parts = _from_xml(parse_xml(text))
    else:
        parts = _from_kvn(kvn_fields(text))
    message = Message(parts.fields, parts.line, parts.column, True, _UNITS, "an OPM")
    message.one_of("CCSDS_OPM_VERS", VERSIONS, "the versions of the message that are known")
    message.need("OBJECT_NAME")
    frame, system = message.frame(), message.time_system()
    state = _state(message, frame, instant_of(message.need("EPOCH"), system))
    if len(parts.manoeuvres) > MAX_MANOEUVRES:
        raise parts.manoeuvres[MAX_MANOEUVRES]["MAN_EPOCH_IGNITION"].error(
            f"at most {MAX_MANOEUVRES} manoeuvres"
        )
    manoeuvres = [_manoeuvre(fields, system) for fields in parts.manoeuvres]
    return OrbitParameters(
        message.text("OBJECT_NAME", ""),
        message.text("OBJECT_ID", ""),
        state,
        _spacecraft(message),
        tuple(sorted(manoeuvres, key=lambda each: each.at)),
    )


def format_opm(
    parameters: OrbitParameters,
    style: str = "kvn",
    *,
    frame: str = "EME2000",
    originator: str = "CONTACTD",
    created: float | None = None,
) -> str:
    """Text of a message in UTC.

    Args:
        style: ``kvn`` or ``xml``.
        frame: of the state: EME2000, GCRF, ITRF or TEME.
        created: instant (s) of making; the state's epoch where it is not given.

    Raises:
        InputError: if a name cannot be written in KVN.
        ValueError: for another style or frame.
    """
    if style not in ("kvn", "xml"):
        raise ValueError(f"style is {style!r}; kvn or xml is expected")
    state, craft = parameters.state, parameters.spacecraft
    made = state.epoch if created is None else created
    position, velocity = from_teme(
        frame,
        np.array([state.epoch]),
        np.array([state.position_km]),
        np.array([state.velocity_km_s]),
    )
    header = {"CREATION_DATE": _time(made, 0), "ORIGINATOR": originator}
    metadata = {
        "OBJECT_NAME": parameters.name or "UNKNOWN",
        "OBJECT_ID": parameters.object_id or "UNKNOWN",
        "CENTER_NAME": "EARTH",
        "REF_FRAME": "ITRF2020" if frame == "ITRF" else frame,
        "TIME_SYSTEM": "UTC",
    }
    blocks: list[tuple[str, dict[str, str]]] = [
        (
            "stateVector",
            {"EPOCH": _time(state.epoch)}
            | {k: f"{v:.9f}" for k, v in zip("XYZ", position[0], strict=True)}
            | {f"{k}_DOT": f"{v:.12f}" for k, v in zip("XYZ", velocity[0], strict=True)},
        ),
        (
            "spacecraftParameters",
            {
                "MASS": f"{craft.mass_kg:.6f}",
                "SOLAR_RAD_AREA": f"{craft.radiation_area_m2:.6f}",
                "SOLAR_RAD_COEFF": f"{craft.radiation_coefficient:.6f}",
                "DRAG_AREA": f"{craft.drag_area_m2:.6f}",
                "DRAG_COEFF": f"{craft.drag_coefficient * craft.density_factor:.6f}",
            },
        ),
    ]
    blocks += [("maneuverParameters", _manoeuvre_text(each)) for each in parameters.manoeuvres]
    if style == "kvn":
        lines = [f"{key} = {value}" for key, value in {"CCSDS_OPM_VERS": "3.0"}.items()]
        for pairs in (header, metadata, *(pairs for _, pairs in blocks)):
            lines += [kvn_line(key, value) for key, value in pairs.items()]
        return "\n".join(lines) + "\n"
    return _xml(header, metadata, blocks)


def _xml(
    header: dict[str, str], metadata: dict[str, str], blocks: list[tuple[str, dict[str, str]]]
) -> str:
    def element(name: str, pairs: dict[str, str], margin: str) -> list[str]:
        inner = [f"{margin}  <{key}>{escape(value)}</{key}>" for key, value in pairs.items()]
        return [f"{margin}<{name}>", *inner, f"{margin}</{name}>"]

    lines = ['<?xml version="1.0" encoding="UTF-8"?>', '<opm id="CCSDS_OPM_VERS" version="3.0">']
    lines += [*element("header", header, "  "), "  <body>", "    <segment>"]
    lines += [*element("metadata", metadata, "      "), "      <data>"]
    for name, pairs in blocks:
        lines += element(name, pairs, "        ")
    return "\n".join([*lines, "      </data>", "    </segment>", "  </body>", "</opm>"]) + "\n"


def _from_kvn(fields: Iterator[Field]) -> _Parts:
    parts = _Parts({}, [], 0, 0)
    for found in fields:
        if not found.key:
            raise found.error("a line 'KEYWORD = value'")
        if not parts.fields:
            if found.key != "CCSDS_OPM_VERS":
                raise found.error("CCSDS_OPM_VERS = 3.0 as the first line", found.key)
            parts.line, parts.column = found.line, found.column
        if found.key in _MANOEUVRE_KEYS:
            if found.key == "MAN_EPOCH_IGNITION":
                parts.manoeuvres.append({})
            elif not parts.manoeuvres:
                raise found.error("MAN_EPOCH_IGNITION as a manoeuvre's first keyword", found.key)
            keep(found, parts.manoeuvres[-1], _MANOEUVRE_KEYS, "a manoeuvre")
        else:
            keep(found, parts.fields, _KNOWN, "an OPM", _UNREAD_PREFIXES)
    if not parts.fields:
        raise InputError("an orbit parameter message (OPM)", "none")
    return parts


def _from_xml(root: Element) -> _Parts:
    messages = root.all("opm") if root.name == "ndm" else [root]
    if root.name not in ("ndm", "opm") or len(messages) != 1:
        raise root.error("an opm element, or an ndm element that holds one", f"<{root.name}>")
    (message,) = messages
    parts = _Parts({}, [], message.line, message.column)
    version = message.attributes.get("version", "")
    keep(Field("CCSDS_OPM_VERS", version, message.line, message.column), parts.fields, _KNOWN, "")
    body = message.child("body")
    segments = body.all("segment") if body is not None else []
    if len(segments) != 1:
        raise message.error("one segment in the body of an opm", f"{len(segments)}")
    data = segments[0].child("data")
    blocks = [message.child("header"), segments[0].child("metadata")]
    for block in [*blocks, *(data.children if data is not None else [])]:
        if block is None:
            continue
        if block.name == "maneuverParameters":
            fields: dict[str, Field] = {}
            for found in block.leaves():
                keep(found, fields, _MANOEUVRE_KEYS, "a manoeuvre")
            if "MAN_EPOCH_IGNITION" not in fields:
                raise block.error("MAN_EPOCH_IGNITION", "none")
            parts.manoeuvres.append(fields)
            continue
        for found in block.leaves():
            keep(found, parts.fields, _KNOWN, "an OPM", _UNREAD_PREFIXES)
    return parts


def _state(message: Message, frame: str, epoch: float) -> StateVector:
    x, y, z = (message.number(key) for key in ("X", "Y", "Z"))
    vx, vy, vz = (message.number(key) for key in ("X_DOT", "Y_DOT", "Z_DOT"))
    if np.hypot(np.hypot(x, y), z) < _NEAREST_CENTRE_KM:
        raise message.need("X").error("a position (km) outside the Earth")
    if np.hypot(np.hypot(vx, vy), vz) > _FASTEST_KM_S:
        raise message.need("X_DOT").error(f"a velocity (km/s) of at most {_FASTEST_KM_S:g}")
    state = state_from_cartesian(frame, epoch, (x, y, z), (vx, vy, vz))
    written = covariance_of_keys(message.fields)
    if written is None:
        return state
    place, speed = np.array(state.position_km), np.array(state.velocity_km_s)
    return replace(state, covariance=covariance_in_rtn(written, epoch, frame, place, speed))


def _spacecraft(message: Message) -> Spacecraft:
    usual = Spacecraft()
    mass = message.number("MASS", 0.0, None, usual.mass_kg)
    if mass <= 0:
        raise message.need("MASS").error("more than 0 kg")
    return Spacecraft(
        mass,
        message.number("DRAG_AREA", 0.0, None, 0.0),
        message.number("DRAG_COEFF", 0.0, None, usual.drag_coefficient),
        radiation_area_m2=message.number("SOLAR_RAD_AREA", 0.0, None, 0.0),
        radiation_coefficient=message.number(
            "SOLAR_RAD_COEFF", 0.0, None, usual.radiation_coefficient
        ),
    )


def _manoeuvre(fields: dict[str, Field], system: str) -> Manoeuvre:
    ignition = fields["MAN_EPOCH_IGNITION"]
    message = Message(fields, ignition.line, ignition.column, True, _UNITS, "a manoeuvre")
    frame = message.need("MAN_REF_FRAME")
    name = frame.text.upper()
    inertial = frame_named(name)
    if name not in _LOCAL_FRAMES and inertial not in ("TEME", "EME2000", "GCRF", "TOD"):
        raise frame.error("one of RTN, RSW, TNW, EME2000, GCRF, TOD, TEME")
    middle = 0.5 * message.number("MAN_DURATION", 0.0, None, 0.0)
    x, y, z = (message.number(f"MAN_DV_{axis}") * 1000.0 for axis in (1, 2, 3))
    return Manoeuvre(
        instant_of(ignition, system) + middle,
        (x, y, z),
        name if name in _LOCAL_FRAMES else str(inertial),
    )


def _manoeuvre_text(manoeuvre: Manoeuvre) -> dict[str, str]:
    return {
        "MAN_EPOCH_IGNITION": _time(manoeuvre.at),
        "MAN_DURATION": "0.0",
        "MAN_DELTA_MASS": "0.0",
        "MAN_REF_FRAME": manoeuvre.frame,
    } | {
        f"MAN_DV_{axis}": f"{part / 1000.0:.12f}"
        for axis, part in enumerate(manoeuvre.delta_v_m_s, start=1)
    }


def _time(instant: float, decimals: int = 6) -> str:
    return to_text(instant, decimals).removesuffix("Z")
