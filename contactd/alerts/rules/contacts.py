"""Contacts that come, command windows that open and close."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.scope import Scope
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.contacts.contact import Contact
from contactd.core.contacts.outage import outage_in
from contactd.core.contacts.table import numbered_meeting
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.outlook import TargetOutlook
from contactd.mission.documents.spans import inner_form, outer_form
from contactd.mission.texts import contacts as texts
from contactd.mission.texts.contacts import Next, Out
from contactd.mission.texts.text import Text
from contactd.mission.timetext import NEAREST, machine

# What replanning moves by less than this is still the same contact or window, as long as its
# neighbours are three times as far away.
SAME_S = 120.0
COMMAND = "command"
_WINDOW_KINDS = {kinds.WINDOW_OPENS, kinds.WINDOW_CLOSES_SOON, kinds.WINDOW_CLOSED}


def contact_candidates(scope: Scope, outlook: TargetOutlook) -> Iterator[Candidate]:
    """Each contact, so long before it as the leads say."""
    leads = scope.policy.for_target(outlook.target)
    if not leads.contact_s or kinds.CONTACT_COMING in leads.disabled_kinds:
        return
    uncertainty_s = _uncertainty_s(outlook)
    # A contact that a manoeuvre leaves open may come earlier than planned, by less than this.
    open_s = max((float(each.durations_s.max(initial=0)) for each in _open(outlook)), default=0.0)
    earliest_lead = max(leads.contact_s) + uncertainty_s + open_s
    passed = min(scope.now, scope.since) - uncertainty_s - open_s
    reached = math.nextafter(scope.until + earliest_lead, math.inf)
    for index, contact in numbered_meeting(outlook.contacts, passed, reached):
        if contact.cut_at_start or contact.max_elevation_deg < leads.contact_least_elevation_deg:
            continue
        if not _is_ours(outlook, contact):
            continue
        early_s, late_s = _room(outlook, contact, uncertainty_s)
        for lead_s in leads.contact_s:
            due = contact.aos - early_s - lead_s
            if scope.covers(due, contact.los + late_s):
                yield _contact_coming(scope, outlook, index, (early_s, late_s), lead_s, due)
    yield from _open_contacts(scope, outlook, uncertainty_s)


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
    window = _window_in(outlook, contact)
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
    return Candidate(
        kind=kinds.CONTACT_COMING,
        sort=Sort.EVENT,
        severity=Severity.ADVISORY,
        target=target,
        subject=f"{target}/{station}",
        series=f"{kinds.CONTACT_COMING}|{target}|{station}",
        text=texts.contact_coming(
            target,
            station,
            contact.aos,
            None if contact.cut_at_end else contact.los,
            error_s=uncertainty_s,
            max_elevation_deg=contact.max_elevation_deg,
            azimuth_deg=contact.aos_azimuth_deg,
            now_s=max(due, scope.now),
            commands=window,
            open_bounds=possible,
            out=out,
        ),
        due=due,
        moment=contact.aos,
        over_at=contact.los + late_s,
        begins=min(begins, contact.aos - early_s),
        ends=max(ends, contact.los + late_s),
        lead_s=lead_s,
        facts=facts,
    )


def window_candidates(scope: Scope, outlook: TargetOutlook) -> Iterator[Candidate]:
    """Each command window: that it opens, that it closes soon, that it has closed."""
    uncertainty_s = _uncertainty_s(outlook)
    leads = scope.policy.for_target(outlook.target)
    if set(leads.disabled_kinds) >= _WINDOW_KINDS:
        return
    longest_lead_s = max((*leads.window_s, leads.closes_s), default=0.0) + uncertainty_s
    kept_s = scope.policy.worth_telling_after_s + uncertainty_s
    for station, coverage in outlook.services.get(COMMAND, {}).items():
        near = coverage.nominal
        first = int(near.ends.searchsorted(min(scope.since, scope.now) - kept_s))
        last = int(near.starts.searchsorted(scope.until + longest_lead_s, side="right"))
        for index in range(first, last):
            yield from _window_events(scope, outlook, station, near, index)


def _window_events(
    scope: Scope, outlook: TargetOutlook, station: str, windows: IntervalSet, index: int
) -> Iterator[Candidate]:
    opens, closes = float(windows.starts[index]), float(windows.ends[index])
    begins, ends = _same_window(windows, index)
    target = outlook.target
    uncertainty_s = _uncertainty_s(outlook)
    leads = scope.policy.for_target(target)
    facts = {
        "station": station,
        "opens": machine(opens, NEAREST),
        "closes": machine(closes, NEAREST),
        "uncertainty_s": round(uncertainty_s, 1),
    }

    def event(
        kind: str,
        due: float,
        moment: float,
        over_at: float,
        text: Text,
        lead_s: float,
    ) -> Candidate:
        return Candidate(
            kind=kind,
            sort=Sort.EVENT,
            severity=Severity.ADVISORY,
            target=target,
            subject=f"{target}/{station}",
            series=f"{kind}|{target}|{station}",
            text=text,
            due=due,
            moment=moment,
            over_at=over_at,
            begins=begins,
            ends=ends,
            lead_s=lead_s,
            facts=facts,
        )

    def wanted(kind: str, due: float, over_at: float) -> bool:
        """Looked at first: what is to be said of it takes longer."""
        return kind not in leads.disabled_kinds and scope.covers(due, over_at)

    if opens > outlook.span[0]:
        for lead_s in leads.window_s:
            due = opens - uncertainty_s - lead_s
            if not wanted(kinds.WINDOW_OPENS, due, closes):
                continue
            yield event(
                kinds.WINDOW_OPENS,
                due,
                opens,
                closes,
                texts.window_opens(
                    target, station, opens, closes, uncertainty_s, max(due, scope.now)
                ),
                lead_s,
            )
    if closes >= outlook.span[1]:
        return
    due = closes - uncertainty_s - leads.closes_s
    if closes - opens > leads.closes_s and wanted(kinds.WINDOW_CLOSES_SOON, due, closes):
        yield event(
            kinds.WINDOW_CLOSES_SOON,
            due,
            closes,
            closes,
            texts.window_closes_soon(
                target,
                station,
                closes,
                uncertainty_s,
                _next_window(outlook, closes),
                outlook.span[1],
                max(due, scope.now),
            ),
            leads.closes_s,
        )
    due = closes + uncertainty_s
    over_at = due + scope.policy.worth_telling_after_s
    if due < scope.existed_since or not wanted(kinds.WINDOW_CLOSED, due, over_at):
        return
    yield event(
        kinds.WINDOW_CLOSED,
        due,
        closes,
        over_at,
        texts.window_closed(
            target,
            station,
            closes,
            uncertainty_s,
            _next_window(outlook, max(due, scope.now)),
            outlook.span[1],
            max(due, scope.now),
        ),
        0.0,
    )


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


def _window_in(outlook: TargetOutlook, contact: Contact) -> tuple[float, float] | None:
    coverage = outlook.services.get(COMMAND, {}).get(contact.station)
    if coverage is None:
        return None
    found = coverage.nominal.next_from(contact.aos)
    return None if found is None or found[0] >= contact.los else found


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


def _same_window(windows: IntervalSet, index: int) -> tuple[float, float]:
    before = float(windows.ends[index - 1]) if index else -math.inf
    after = float(windows.starts[index + 1]) if index + 1 < len(windows) else math.inf
    return _widened(float(windows.starts[index]), float(windows.ends[index]), before, after)


def _widened(start: float, end: float, before: float, after: float) -> tuple[float, float]:
    return start - min(SAME_S, (start - before) / 3), end + min(SAME_S, (after - end) / 3)


def _uncertainty_s(outlook: TargetOutlook) -> float:
    return 0.0 if outlook.elements is None else outlook.elements.timing_error_s
