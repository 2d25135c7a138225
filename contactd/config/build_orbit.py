"""From a target's file to what is known of its motion, and to its radio links."""

from __future__ import annotations

import math
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from contactd.config.builder import Builder
from contactd.config.link_section import LinkSection
from contactd.config.orbit_section import KeplerSection, ManoeuvreSection, StateSection
from contactd.config.target_file import TargetFile

if TYPE_CHECKING:
    from contactd.core.ground.links import Link
    from contactd.core.orbit.manoeuvres import Manoeuvre
    from contactd.core.orbit.states import Spacecraft, StateVector

INLINE = "the target's file"


def motion_of(builder: Builder, file: TargetFile) -> dict[str, Any]:
    """The fields of the target that say how it moves; what is wrong is noted in the builder."""
    section = file.elements
    fields: dict[str, Any] = {}
    if section is not None and section.oem is not None:
        found, source = builder.message(section.oem, ("elements", "oem"), _oem)
        fields |= {"ephemeris": found, "elements_source": source}
    elif section is not None and section.opm is not None:
        found, source = builder.message(section.opm, ("elements", "opm"), _opm)
        fields["elements_source"] = source
        if found is not None:
            fields |= {"state": found.state, "spacecraft": found.spacecraft}
            fields["manoeuvres"] = found.manoeuvres
            if found.manoeuvres and file.manoeuvres:
                count = len(found.manoeuvres)
                several = "manoeuvre" if count == 1 else f"{count} manoeuvres"
                text = f"these are planned in place of the {several} in {source}"
                builder.notice(("manoeuvres",), text)
    elif section is not None and section.kepler is not None:
        fields |= {"state": _from_kepler(section.kepler), "elements_source": INLINE}
    elif section is not None and section.state is not None:
        fields |= {"state": _from_state(section.state), "elements_source": INLINE}
    elif section is not None:
        sets, source = builder.elements(section)
        fields |= {"elements": sets, "elements_source": source}
    if file.spacecraft is not None:
        fields["spacecraft"] = _spacecraft(file)
    if file.manoeuvres:
        fields["manoeuvres"] = _manoeuvres(builder, file)
    return fields


def links_of(builder: Builder, file: TargetFile) -> tuple[Link, ...]:
    """The target's radio links; what is wrong is noted in the builder."""
    if any(each.atmosphere is not None for each in file.links) and find_spec("itur") is None:
        index = next(n for n, each in enumerate(file.links) if each.atmosphere is not None)
        expected = "the package itur, which atmosphere needs: install contactd[link]"
        builder.document.note(("links", index, "atmosphere"), expected, "no such package")
    return tuple(_link(each) for each in file.links)


def _oem(data: bytes) -> Any:
    from contactd.core.orbit.oem import parse_oem

    return parse_oem(data)


def _opm(data: bytes) -> Any:
    from contactd.core.orbit.opm import parse_opm

    return parse_opm(data)


def _from_kepler(section: KeplerSection) -> StateVector:
    from contactd.core.orbit.states import KeplerElements, mean_anomaly_deg, state_from_kepler

    mean_deg = section.mean_anomaly_deg
    if mean_deg is None:
        assert section.true_anomaly_deg is not None
        mean_deg = mean_anomaly_deg(section.true_anomaly_deg, section.eccentricity)
    elements = KeplerElements(
        epoch=section.epoch,
        semi_major_axis_km=section.semi_major_axis_km,
        eccentricity=section.eccentricity,
        inclination_deg=section.inclination_deg,
        raan_deg=section.raan_deg,
        argument_of_perigee_deg=section.argument_of_perigee_deg,
        mean_anomaly_deg=mean_deg,
    )
    return state_from_kepler(elements, section.frame)


def _from_state(section: StateSection) -> StateVector:
    from contactd.core.orbit.states import state_from_cartesian

    return state_from_cartesian(
        section.frame, section.epoch, section.position_km, section.velocity_km_s
    )


def _spacecraft(file: TargetFile) -> Spacecraft:
    from contactd.core.orbit.states import Spacecraft

    section = file.spacecraft
    assert section is not None
    return Spacecraft(**section.model_dump())


def _manoeuvres(builder: Builder, file: TargetFile) -> tuple[Manoeuvre, ...]:
    from contactd.core.orbit.manoeuvres import MAX_MEMBERS

    made = tuple(_manoeuvre(each) for each in file.manoeuvres)
    count = math.prod(len(each.versions()) for each in made)
    if count > MAX_MEMBERS:
        expected = (
            f"bounds with at most {MAX_MEMBERS} combinations: leave out those that matter less"
        )
        builder.document.note(("manoeuvres",), expected, f"{count} combinations")
    return made


def _manoeuvre(section: ManoeuvreSection) -> Manoeuvre:
    from contactd.core.orbit.manoeuvres import Manoeuvre

    return Manoeuvre(
        at=section.at,
        delta_v_m_s=section.delta_v_m_s,
        frame=section.frame,
        give_or_take_s=section.give_or_take_s,
        magnitude_error=section.magnitude_error_percent / 100.0,
        may_not_happen=section.may_not_happen,
    )


def _link(section: LinkSection) -> Link:
    from contactd.core.ground.atmosphere import Atmosphere
    from contactd.core.ground.links import AntennaPattern, Attitude, Direction, Link

    air = section.atmosphere
    known = Atmosphere(air.exceeded_percent, air.antenna_diameter_m) if air else None
    return Link(
        name=section.name,
        direction=Direction(section.direction),
        frequency_hz=section.frequency_mhz * 1e6,
        power_dbw=section.power_dbw,
        line_loss_db=section.line_loss_db,
        pattern=AntennaPattern(section.antenna.pattern),
        attitude=Attitude(section.antenna.attitude),
        station_gain_dbi=section.station_gain_dbi,
        noise_temperature_k=section.noise_temperature_k,
        bit_rate_bps=section.bit_rate_bps,
        required_eb_n0_db=section.required_eb_n0_db,
        other_losses_db=section.other_losses_db,
        required_margin_db=section.required_margin_db,
        turnaround=section.turnaround,
        atmosphere=known,
    )
