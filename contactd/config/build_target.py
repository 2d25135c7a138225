"""From a target's checked file to the target, and to what is to be fetched for it."""

from __future__ import annotations

from contactd.config.build_orbit import links_of, motion_of
from contactd.config.build_sequence import build_sequences
from contactd.config.builder import Builder
from contactd.config.configuration import ElementFeed
from contactd.config.orbit_section import ElementsSection
from contactd.config.settings import Elements
from contactd.config.target_file import TargetFile
from contactd.core.orbit.orbit_error import EXACT, LEAST_BOUND_S, OrbitError
from contactd.core.target import Target


def build_target(builder: Builder, file: TargetFile, rules: Elements) -> Target:
    """The target of a target's file; its feed, if it has one, is made by :func:`build_feed`."""
    section, motion = file.elements, motion_of(builder, file)
    stated_error, stale_after_s = None, rules.stale_after_s
    if section is not None:
        stated_error = _stated_error(builder, section)
        stale_after_s = section.stale_after_s or rules.stale_after_s
        if motion.get("ephemeris") is not None and section.stale_after_s is None:
            # It says itself how long it may be used.
            stale_after_s = max(stale_after_s, motion["ephemeris"].validity_s)
    else:
        builder.notice((), "no elements: no contact can be predicted")
    return Target(
        name=file.name,
        stated_error=stated_error,
        stale_after_s=stale_after_s,
        sequences=build_sequences(builder, file),
        links=links_of(builder, file),
        **motion,
    )


def _stated_error(builder: Builder, section: ElementsSection) -> OrbitError | None:
    stated = section.timing_error
    if stated is None:
        return None
    place = ("elements", "timing_error")
    if stated.exact:
        builder.notice(place, "exact: for tests and rehearsals; no orbit is known without error")
        return EXACT
    if stated.at_epoch_s < LEAST_BOUND_S:
        text = f"at_epoch is {stated.at_epoch_s:g} s: taken as {LEAST_BOUND_S:g} s, the least"
        builder.notice(place, text)
    return OrbitError(
        stated.at_epoch_s,
        stated.per_day_s,
        stated.per_day2_s,
        stated.radial_km,
        stated.cross_track_km,
    )


def build_feed(file: TargetFile, rules: Elements) -> ElementFeed | None:
    """What is to be fetched for a target, if anything is."""
    section = file.elements
    if section is None or section.url is None:
        return None
    return ElementFeed(
        target=file.name,
        url=section.url,
        format=section.format,
        least_interval_s=section.least_interval_s or rules.least_interval_s,
        timeout_s=rules.timeout_s,
        size_limit_bytes=rules.size_limit_bytes,
        catalogue_number=section.catalogue_number,
    )
