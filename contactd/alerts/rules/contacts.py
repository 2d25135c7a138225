"""Contacts: that they come, from when commands are possible, until when."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.scope import Scope
from contactd.alerts.rules.step import TIMED
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.contacts.contact import Contact
from contactd.core.contacts.outage import outage_in
from contactd.core.contacts.table import numbered_meeting
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import StepForecast
from contactd.mission.documents.spans import inner_form, outer_form
from contactd.mission.texts import contacts as texts
from contactd.mission.texts.contacts import Next, Out
from contactd.mission.timetext import NEAREST, machine

# What replanning moves by less than this is still the same contact or window, as long as its
# neighbours are three times as far away.
SAME_S = 120.0
COMMAND = "command"
ALL = "all"
"""Of a policy: every contact is told, not only those on which a step or a decision hangs."""


def contact_candidates(scope: Scope, outlook: TargetOutlook) -> Iterator[Candidate]:
    """Each contact: that it comes, from when and until when commands are possible.

    It is one alert, told again as its stages come.
    """
    leads = scope.policy.for_target(outlook.target)
    if kinds.CONTACT_COMING in leads.disabled_kinds:
        return
    uncertainty_s = _uncertainty_s(outlook)
    # A contact that a manoeuvre leaves open may come earlier than planned, by less than this.
    open_s = max((float(each.durations_s.max(initial=0)) for each in _open(outlook)), default=0.0)
    # It stays open when it moves later by up to its lead.
    longest_s = max((*leads.contact_s, *leads.window_s, leads.closes_s))
    earliest_lead = 2 * longest_s + uncertainty_s + open_s
    passed = min(scope.now, scope.since) - uncertainty_s - open_s
    reached = math.nextafter(scope.until + earliest_lead, math.inf)
    for index, contact in numbered_meeting(outlook.contacts, passed, reached):
        if contact.max_elevation_deg < leads.contact_least_elevation_deg:
            continue
        if not _is_ours(outlook, contact):
            continue
        if leads.contacts != ALL and not is_needed(outlook, contact):
            continue
        yield from _stages(scope, outlook, index)
    yield from _open_contacts(scope, outlook, uncertainty_s)


def is_needed(outlook: TargetOutlook, contact: Contact) -> bool:
    """Whether a step or a decision hangs on a contact: an expiry, a stop or a first look in it."""
    return any(
        _hangs_on(step, contact)
        for forecast in outlook.forecasts
        for step in forecast.steps
        if step.status in TIMED
    )


def _hangs_on(step: StepForecast, contact: Contact) -> bool:
    if step.earliest is None or step.latest is None:
        return False

    def within(at: float | None, station: str | None) -> bool:
        return at is not None and station == contact.station and contact.aos <= at <= contact.los

    before = max((need.before_s for need in step.needs), default=0.0)
    after = max((need.after_s for need in step.needs), default=0.0)
    return (
        (step.earliest - before < contact.los and contact.aos < step.latest + after)
        or within(step.stop_by, step.stop_station)
        or within(step.confirm_at, step.confirm_station)
        or any(
            chance.station == contact.station
            and chance.opens < contact.los
            and contact.aos < chance.closes
            for chance in step.stop_chances
        )
    )


def _stages(scope: Scope, outlook: TargetOutlook, index: int) -> Iterator[Candidate]:
    """The moments at which a contact is told: before AOS, as commands open, before they close."""
    contact = outlook.contacts[index]
    leads = scope.policy.for_target(outlook.target)
    uncertainty_s = _uncertainty_s(outlook)
    early_s, late_s = _room(outlook, contact, uncertainty_s)
    due = [] if contact.cut_at_start else [contact.aos - early_s - s for s in leads.contact_s]
    for opens, closes in _windows_in(outlook, contact):
        if opens > outlook.span[0]:
            due += [opens - uncertainty_s - s for s in leads.window_s]
        if closes < outlook.span[1] and closes - opens > leads.closes_s > 0:
            due.append(closes - uncertainty_s - leads.closes_s)
    for number, moment in enumerate(sorted(set(due))):
        lead_s = contact.aos - early_s - moment
        first = moment - max(lead_s, 0.0) if number == 0 else moment
        if scope.covers(first, contact.los + late_s):
            yield _contact_coming(scope, outlook, index, (early_s, late_s), lead_s, moment)


def _is_ours(outlook: TargetOutlook, contact: Contact) -> bool:
    """Whether any of the contact's antenna time was granted to the target."""
    if outlook.granted is None:
        return True
    return outlook.granted.get(contact.station, EMPTY).meets(contact.aos, contact.los)


def _open(outlook: TargetOutlook) -> Collection[IntervalSet]:
    return outlook.open_contacts.values()


def _room(outlook: TargetOutlook, contact: Contact, uncertainty_s: float) -> tuple[float, float]:
    """How much earlier AOS and how much later LOS may be (s)."""
    hull = outlook.open_contacts.get(contact.station, EMPTY).interval_at(contact.tca)
    if hull is None:
        return uncertainty_s, uncertainty_s
    return (
        max(contact.aos - hull[0], 0.0) + uncertainty_s,
        max(hull[1] - contact.los, 0.0) + uncertainty_s,
    )


def _open_contacts(
    scope: Scope, outlook: TargetOutlook, uncertainty_s: float
) -> Iterator[Candidate]:
    """Contacts that there will only be if a planned manoeuvre goes otherwise than planned."""
    target = outlook.target
    planned: dict[str, list[Contact]] = {}
    for contact in outlook.contacts if outlook.open_contacts else ():
        planned.setdefault(contact.station, []).append(contact)
    for station, seen in outlook.open_contacts.items():
        for start, end in seen:
            if any(start <= each.tca < end for each in planned.get(station, ())):
                continue
            for lead_s in scope.policy.for_target(target).contact_s:
                due = start - uncertainty_s - lead_s
                if not scope.covers(due, end + uncertainty_s):
                    continue
                yield Candidate(
                    kind=kinds.CONTACT_COMING,
                    sort=Sort.EVENT,
                    severity=Severity.ADVISORY,
                    target=target,
                    subject=f"{target}/{station}",
                    series=f"{kinds.CONTACT_COMING}|{target}|{station}",
                    text=texts.possible_contact(
                        target,
                        station,
                        start - uncertainty_s,
                        end + uncertainty_s,
                        max(due, scope.now),
                        _out(scope, station, start, end),
                    ),
                    due=due,
                    moment=start,
                    over_at=end + uncertainty_s,
                    begins=start,
                    ends=end,
                    lead_s=lead_s,
                    facts={
                        "station": station,
                        "from": machine(start, NEAREST),
                        "to": machine(end, NEAREST),
                    },
                )


def _contact_coming(
    scope: Scope,
    outlook: TargetOutlook,
    index: int,
    room_s: tuple[float, float],
    lead_s: float,
    due: float,
) -> Candidate:
    """One contact, as planned; AOS may be so much earlier and LOS so much later (s)."""
    contact = outlook.contacts[index]
    uncertainty_s = _uncertainty_s(outlook)
    early_s, late_s = room_s
    begins, ends = _same_contact(outlook.contacts, index)
    target, station = contact.target, contact.station
    now_s = max(due, scope.now)
    windows = _windows_in(outlook, contact)
    ahead = [each for each in windows if each[1] + uncertainty_s > now_s]
    window = ahead[0] if ahead else None
    facts: dict[str, object] = {
        "station": station,
        "aos": machine(contact.aos, NEAREST),
        "tca": machine(contact.tca, NEAREST),
        "los": machine(contact.los, NEAREST),
        "max_elevation_deg": round(contact.max_elevation_deg, 2),
        "aos_azimuth_deg": round(contact.aos_azimuth_deg, 1),
        "uncertainty_s": round(uncertainty_s, 1),
        "lead_s": lead_s,
    }
    if window is not None:
        facts["command_window"] = inner_form(window)
    possible = None
    if max(room_s) > uncertainty_s:
        possible = contact.aos - early_s, contact.los + late_s
        facts |= {"possible": outer_form(possible)}
    out = _out(scope, station, contact.aos, contact.los)
    if out is not None:
        facts["outage"] = {**outer_form((out.start_s, out.end_s)), "why": out.why}
    text = texts.contact_coming(
        target,
        station,
        contact.aos,
        None if contact.cut_at_end else contact.los,
        error_s=uncertainty_s,
        max_elevation_deg=contact.max_elevation_deg,
        azimuth_deg=contact.aos_azimuth_deg,
        now_s=now_s,
        commands=window,
        open_bounds=possible,
        out=out,
    )
    begun = next((each for each in reversed(windows) if each[0] - uncertainty_s <= now_s), None)
    if begun is not None:
        text = texts.in_window(
            text,
            target,
            station,
            begun,
            error_s=uncertainty_s,
            closes_s=scope.policy.for_target(target).closes_s,
            following=_next_window(outlook, max(begun[1], now_s)),
            horizon_s=outlook.span[1],
            now_s=now_s,
        )
    return Candidate(
        kind=kinds.CONTACT_COMING,
        sort=Sort.EVENT,
        severity=Severity.ADVISORY,
        target=target,
        subject=f"{target}/{station}",
        series=f"{kinds.CONTACT_COMING}|{target}|{station}",
        text=text,
        due=due,
        moment=contact.aos,
        over_at=contact.los + late_s,
        begins=min(begins, contact.aos - early_s),
        ends=max(ends, contact.los + late_s),
        lead_s=lead_s,
        keeps=True,
        turns=_turns(contact, windows, uncertainty_s, scope.policy.for_target(target).closes_s),
        facts=facts,
    )


def _turns(
    contact: Contact, windows: Sequence[tuple[float, float]], uncertainty_s: float, closes_s: float
) -> tuple[float, ...]:
    """When what is to be said of a contact changes (instants, s)."""
    turns = [contact.aos + uncertainty_s, contact.los]
    for opens, closes in windows:
        last = closes - uncertainty_s
        turns += [opens - uncertainty_s, opens + uncertainty_s, last - closes_s, last]
        turns += [closes, closes + uncertainty_s]
    return tuple(turns)


def _next_window(outlook: TargetOutlook, after: float) -> Next | None:
    """The command window that is open then or opens next, at any station."""
    best: Next | None = None
    for station, coverage in outlook.services.get(COMMAND, {}).items():
        found = coverage.nominal.next_from(after)
        if found is not None:
            begins = max(found[0], after)
            if best is None or (begins, -found[1]) < (best.start_s, -best.end_s):
                best = Next(begins, found[1], station)
    return best


def _out(scope: Scope, name: str, start: float, end: float) -> Out | None:
    """When the station is out during a contact, if it is."""
    station = scope.stations.get(name)
    outage = None if station is None else outage_in(start, end, station)
    return None if outage is None else Out(outage.start, outage.end, outage.why)


def _windows_in(outlook: TargetOutlook, contact: Contact) -> list[tuple[float, float]]:
    """The command windows in a contact."""
    coverage = outlook.services.get(COMMAND, {}).get(contact.station)
    return [] if coverage is None else list(coverage.nominal.clip(contact.aos, contact.los))


def _same_contact(contacts: Sequence[Contact], index: int) -> tuple[float, float]:
    """The interval by which a contact is known again, clear of the same station's others."""
    here = contacts[index]
    before = next(
        (each.los for each in reversed(contacts[:index]) if each.station == here.station), -math.inf
    )
    after = next(
        (each.aos for each in contacts[index + 1 :] if each.station == here.station), math.inf
    )
    return _widened(here.aos, here.los, before, after)


def _widened(start: float, end: float, before: float, after: float) -> tuple[float, float]:
    return start - min(SAME_S, (start - before) / 3), end + min(SAME_S, (after - end) / 3)


def _uncertainty_s(outlook: TargetOutlook) -> float:
    return 0.0 if outlook.elements is None else outlook.elements.timing_error_s
