"""What predictions rest on: records of it, and what a change of it does to the contacts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import structlog

from contactd.core import instants
from contactd.core import record as kinds
from contactd.core.change import Basis, ElementsChange, change_of
from contactd.core.contacts.comparison import compare
from contactd.core.contacts.contact import Contact
from contactd.core.errors import ContactdError
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit import format_omm, parse_omm
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import Prediction, Target, predict_target
from contactd.core.record import Record

AUTHOR = "contactd"
log = structlog.get_logger("contactd.elements")


def elements_record(
    now: float, target: Target, validators: Mapping[str, str] | None = None
) -> Record:
    """The record that something new says how a target moves.

    Its body has ``source``, ``epochs`` and ``digest``; element sets are kept as ``omm``, a state as
    ``opm``; of an ephemeris only ``until``, since it may be large.

    Args:
        now: instant (s).
        validators: what a server wants to be asked with the next time.
    """
    body: dict[str, Any] = {
        "source": target.elements_source,
        "epochs": [instants.to_text(each.epoch, 6) for each in target.elements],
        "digest": target.orbit.digest(),
    }
    if target.ephemeris is not None:
        body["epochs"] = [instants.to_text(target.ephemeris.segments[0].usable[0], 6)]
        body["until"] = instants.to_text(target.ephemeris.segments[-1].usable[1], 6)
    elif target.state is not None:
        body["epochs"] = [instants.to_text(target.state.epoch, 6)]
        body["opm"] = _opm(target)
    else:
        body["omm"] = format_omm(target.elements, "json")
    if target.manoeuvres:
        body["manoeuvres"] = [
            {
                "at": instants.to_text(each.at, 6),
                "delta_v_m_s": list(each.delta_v_m_s),
                "frame": each.frame,
                "give_or_take_s": each.give_or_take_s,
                "magnitude_error": each.magnitude_error,
                "may_not_happen": each.may_not_happen,
            }
            for each in target.manoeuvres
        ]
    if validators:
        body["validators"] = dict(validators)
    return Record(now, kinds.ELEMENTS_ADOPTED, target.name, AUTHOR, body)


def new_elements(
    now: float, targets: Sequence[Target], known: Mapping[str, Record]
) -> list[Record]:
    """Records of what the ledger does not know yet of how targets move."""
    records = [elements_record(now, each) for each in targets if each.epoch(now) is not None]
    return [
        record
        for record in records
        if record.subject not in known or known[record.subject].body != record.body
    ]


def recorded_motion(target: Target, record: Record, now: float) -> Target | None:
    """The target as it was known to move when a record was made.

    Returns:
        None if the record does not say it, or says the same as the target.
    """
    body = record.body
    if body.get("digest") == target.orbit.digest():
        return None
    try:
        if body.get("omm"):
            known = replace(
                target, elements=parse_omm(str(body["omm"])), state=None, ephemeris=None,
                manoeuvres=(),
            )  # fmt: skip
        elif body.get("opm"):
            from contactd.core.orbit.opm import parse_opm

            found = parse_opm(str(body["opm"]))
            known = replace(
                target, elements=(), state=found.state, ephemeris=None,
                spacecraft=found.spacecraft, manoeuvres=found.manoeuvres,
            )  # fmt: skip
        else:
            return None
    except ContactdError as error:
        log.warning("the ledger's elements cannot be used", target=target.name, reason=str(error))
        return None
    return replace(known, elements_source=str(body.get("source", ""))).motion_at(now)


def change_between(
    before: Target | None,
    made: Prediction,
    stations: Sequence[Station],
    now: float,
    compiled: bool = False,
) -> ElementsChange | None:
    """What it does to the contacts ahead that a prediction rests on something else than before.

    Args:
        before: what the target's predictions rested on so far; None if that is not known.
        now: instant (s).
        compiled: whether to use the compiled path, as for the prediction.

    Returns:
        None if the prediction rests on the same.
    """
    after = made.motion
    if before is None or after is None or before.moves_as(after):
        return None
    earlier = predict_target(before, stations, made.reaches, now, compiled)
    known = _known(earlier.outlook) & _known(made.outlook)
    comparison = compare(
        _within(known, earlier.outlook.contacts),
        _within(known, made.outlook.contacts),
        made.half_period_s,
        now,
    )
    return change_of(after.name, now, _basis(before, now), _basis(after, now), comparison)


def _known(outlook: TargetOutlook) -> IntervalSet:
    return IntervalSet([outlook.span[0]], [outlook.span[1]]) - outlook.gaps


def _within(known: IntervalSet, contacts: Sequence[Contact]) -> list[Contact]:
    """Contacts of times for which both predictions hold."""
    return [each for each in contacts if known.covers(each.aos, each.los)]


def _basis(motion: Target, now: float) -> Basis:
    epoch = motion.epoch(now)
    assert epoch is not None
    return Basis(motion.elements_source, epoch, motion.orbit.digest())


def _opm(target: Target) -> str:
    from contactd.core.orbit.opm import OrbitParameters, format_opm
    from contactd.core.orbit.states import Spacecraft

    assert target.state is not None
    # The name stands in the record already, and may not be one that a message can hold.
    parameters = OrbitParameters(
        "", "", target.state, target.spacecraft or Spacecraft(), target.manoeuvres
    )
    return format_opm(parameters, frame="TEME")
