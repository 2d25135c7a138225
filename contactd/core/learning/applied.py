"""Targets that move as an adopted correction says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from contactd.core.learning.correction import Correction, correction_of
from contactd.core.orbit.orbit_error import OrbitError, Origin
from contactd.core.record import Record
from contactd.core.target import Target


def corrected(target: Target, record: Record | None) -> Target:
    """The target with its motion corrected, where a record adopts a correction that still holds.

    Args:
        record: the last one that adopts or drops a correction of it; None for none.
    """
    plain = target.configured or target
    correction = None if record is None else correction_of(record)
    if correction is None or plain.ephemeris is not None or plain.state is not None:
        return plain
    # A feed may have brought newer sets in place of the one that was corrected.
    others = [each for each in plain.elements if each != correction.base]
    known = len(others) < len(plain.elements)
    newer = [each for each in others if not known or each.epoch > correction.base.epoch]
    if not plain.elements or any(map(correction.outlived_by, newer)):
        return plain
    return replace(
        plain,
        elements=(correction.elements,),
        elements_source=f"{plain.elements_source}, corrected by {contacts_text(correction)}",
        stated_error=error_of(correction),
        configured=plain,
    )


def with_corrections(
    targets: Mapping[str, Target], records: Mapping[str, Record]
) -> dict[str, Target]:
    """Targets by name, each corrected as its record says."""
    return {name: corrected(each, records.get(name)) for name, each in targets.items()}


def error_of(correction: Correction) -> OrbitError:
    """How far the true motion may be from the corrected one."""
    return OrbitError(
        correction.bound_s,
        correction.drift_bound_s_per_day,
        correction.per_day2_s,
        correction.across_km,
        correction.across_km,
        Origin.LEARNED,
        contacts_text(correction),
        settled_s=correction.at - correction.elements.epoch,
    ).never_zero()


def contacts_text(correction: Correction) -> str:
    """``1 contact``, ``3 contacts``."""
    return "1 contact" if correction.contacts == 1 else f"{correction.contacts} contacts"
