"""What becomes of an open alert: the candidate that it is now, and whether that is news.

An alert is about a cause, and stays the same alert while the facts about it change.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from contactd.alerts.candidate import Candidate, Candidates, Sort
from contactd.alerts.tracked import AlertState, TrackedAlert
from contactd.core.alert import FAMILIES, OF_A_CHAIN, STOP_BY_COMING, Alert, Severity
from contactd.core.contacts.outage import outage_in
from contactd.mission.texts.chain import Other, with_others
from contactd.mission.texts.changed import Standing, changed, out_of_service

WORTH_TELLING_S = 60.0
"""What moves by less is shown, but not told as a change."""
_ORDER = list(Severity)


class News(StrEnum):
    """What a change means to people."""

    WORSE = "worse"  # told, and it waits again
    NEARER = "nearer"  # the next lead: told again
    BETTER = "better"  # told quietly, as an advisory
    NONE = "none"  # shown, not told


@dataclass(frozen=True, slots=True)
class Present:
    """The candidates that hold at an instant, those of one chain as one.

    Attributes:
        due: those that are due and hold, or happen and are not over.
        kept: those that are not due yet and keep an alert open.
        over: events that were due and are over.
    """

    due: tuple[Candidate, ...]
    kept: tuple[Candidate, ...]
    over: tuple[Candidate, ...]


def present(candidates: Iterable[Candidate], now: float) -> Present:
    """The candidates at ``now`` (instant, s)."""
    due, kept, over = [], [], []
    for each in candidates:
        if each.due > now:
            if each.keeps and each.over_at > now:
                kept.append(each)
        elif each.over_at > now or (each.sort is Sort.EVENT and each.over_at == now):
            due.append(each)
        elif each.sort is Sort.EVENT:
            over.append(each)
    return Present(tuple(_as_chains(due, now)), tuple(_as_chains(kept, now)), tuple(over))


def _as_chains(candidates: Sequence[Candidate], now: float) -> Iterator[Candidate]:
    """The candidates, those about steps of one chain as one, each step at its shortest lead."""
    chains: dict[str, dict[str, Candidate]] = {}
    for each in candidates:
        if each.kind not in OF_A_CHAIN or each.part is None:
            yield each
            continue
        chain = chains.setdefault(each.series, {})
        known = chain.get(each.part.step)
        if known is None or each.lead_s < known.lead_s:
            chain[each.part.step] = each
    for steps in chains.values():
        yield _chain(list(steps.values()), now)


def _place(each: Candidate) -> tuple[float, int, float, str]:
    expiry = each.moment if each.part is None else each.part.expiry[0]
    stop_by = each.moment if each.kind == STOP_BY_COMING else 0.0
    return stop_by, -_ORDER.index(each.severity), expiry, each.subject


def _chain(some: list[Candidate], now: float) -> Candidate:
    """One candidate for all steps of a chain: the gravest speaks, then the nearest.

    Where a stop comes, that is the one that comes first.
    """
    some.sort(key=_place)
    first = some[0]
    parts = [each.part for each in some if each.part is not None]
    names = {"parts": [part.step for part in parts]}
    if len(some) == 1:
        return replace(first, facts={**first.facts, **names})
    others = [Other(part.step, part.expiry, part.clear, part.stop) for part in parts[1:]]
    own = first.part.stop if first.part is not None else None
    spans = [each.span for each in some if each.span is not None]
    decisions = [each.decide_by for each in some if each.decide_by is not None]
    notices = [each.text.notice for each in some if each.text.notice]
    text = replace(first.text, notice=notices[0] if notices else "")
    return replace(
        first,
        text=with_others(first.kind, text, own, others, now),
        severity=max((each.severity for each in some), key=_ORDER.index),
        lead_s=min(each.lead_s for each in some),
        over_at=max(each.over_at for each in some),
        begins=min(each.begins for each in some),
        ends=max(each.ends for each in some),
        span=(min(each[0] for each in spans), max(each[1] for each in spans)) if spans else None,
        decide_by=min(decisions, default=None),
        facts={**first.facts, **names},
    )


def matching(state: AlertState, now_is: Present, now: float) -> dict[str, Candidate]:
    """By identity of each alert that is not finished: the candidate that it is now."""
    pools: dict[str, list[Candidate]] = {}
    for each in (*now_is.due, *now_is.kept):
        pools.setdefault(each.series, []).append(each)
    found: dict[str, Candidate] = {}
    for identity, tracked in state.tracked.items():
        if tracked.resolved_at is None and now < tracked.alert.over_at:
            best = _best(tracked, pools.get(tracked.series, ()), now)
            if best is not None:
                found[identity] = best
    return found


def _best(tracked: TrackedAlert, pool: Sequence[Candidate], now: float) -> Candidate | None:
    some = [each for each in pool if each.alone or each.meets(tracked.begins, tracked.ends)]
    # The shortest lead that is due says it all; else the longest, which is due first.
    return min(
        some,
        key=lambda each: (
            each.due > now,
            abs(each.moment - tracked.alert.moment) if not each.alone else 0.0,
            each.lead_s if each.due <= now else -each.lead_s,
        ),
        default=None,
    )


def is_told(state: AlertState, candidate: Candidate, now: float) -> bool:
    """Whether an alert has told it: one that is open, or one that was over by itself."""
    for tracked in state.of_series(candidate.series):
        about = candidate.alone or candidate.meets(tracked.begins, tracked.ends)
        if not about:
            continue
        if now < tracked.finished_at:
            return True
        over = tracked.sort is Sort.EVENT and tracked.resolved_at is None
        if over and candidate.over_at <= tracked.alert.over_at + WORTH_TELLING_S:
            return True
    return False


def news_of(tracked: TrackedAlert, candidate: Candidate, now: float) -> News:
    """What a candidate means to people who know an alert as it was."""
    alert = tracked.alert
    severity = _ORDER.index(candidate.severity) - _ORDER.index(alert.severity)
    longer = _growth_s(tracked.span, candidate.span)
    sooner = _sooner_s(alert.decide_by, candidate.decide_by, now)
    before, after = (set(each.get("parts", ())) for each in (alert.facts, candidate.facts))
    if severity > 0 or longer > 0 or sooner > 0 or after - before:
        return News.WORSE
    if candidate.due <= now and candidate.lead_s < tracked.lead_s:
        return News.NEARER
    if severity < 0 or longer < 0 or sooner < 0 or before - after:
        return News.BETTER
    return News.NONE


def _growth_s(before: tuple[float, float] | None, after: tuple[float, float] | None) -> float:
    """By how much (s) an interval reaches further than before; negative: by how much less."""
    if before is None or after is None:
        return 0.0
    further = (before[0] - after[0], after[1] - before[1])
    if max(further) >= WORTH_TELLING_S:
        return max(further)
    return min(further) if min(further) <= -WORTH_TELLING_S else 0.0


def _sooner_s(before: float | None, after: float | None, now: float) -> float:
    """By how much (s) a decision must be made earlier than before; negative: later."""
    if before == after or (before is not None and before <= now):
        return 0.0
    if after is None or before is None:
        return WORTH_TELLING_S if after is None else -WORTH_TELLING_S
    return before - after if abs(before - after) >= WORTH_TELLING_S else 0.0


def change_in_words(
    tracked: TrackedAlert, candidate: Candidate, candidates: Candidates, now: float
) -> str:
    """What changed about an alert, and why."""
    alert = tracked.alert
    was = Standing(
        alert.decide_by, tracked.span, alert.severity.value, tuple(alert.facts.get("parts", ()))
    )
    now_is = Standing(
        candidate.decide_by,
        candidate.span,
        candidate.severity.value,
        tuple(candidate.facts.get("parts", ())),
    )
    return changed(was, now_is, _cause(alert, candidate, candidates, now), now)


def _cause(alert: Alert, candidate: Candidate, candidates: Candidates, now: float) -> str:
    """Why it changed, as far as that is known: an outage, records, elements; or ""."""
    for name in _lost(alert, candidate):
        station = candidates.stations.get(name)
        by = alert.decide_by if alert.facts.get("stop_station") == name else None
        at = alert.moment if by is None or by == math.inf else by
        outage = None if station is None else outage_in(at - 1.0, at + 1.0, station)
        if outage is not None:
            return out_of_service(name, outage.end, now)
    new = set(candidate.facts.get("records", ())) - set(alert.facts.get("records", ()))
    if new:
        return f"record {max(new)}"
    before, after = alert.facts.get("elements"), candidate.facts.get("elements")
    return "new elements" if before != after and None not in (before, after) else ""


def _lost(alert: Alert, candidate: Candidate) -> list[str]:
    """Stations that it rested on and rests on no more; and where a deadline moved, its own."""
    names = [str(alert.facts.get("stop_station") or ""), *alert.facts.get("stations", ())]
    kept = set(candidate.facts.get("stations", ()))
    own = str(candidate.facts.get("stop_station") or "")
    return [each for each in names if each and (each not in kept or each == own)]


def family_of(kind: str, subject: str) -> tuple[str, str] | None:
    """Of what alerts take each other's place: a family of kinds, and a sequence; else None."""
    family = FAMILIES.get(kind)
    if family is None:
        return None
    whole = kind in OF_A_CHAIN or kind.startswith("start-")
    return family, "/".join(subject.split("/")[:2]) if whole else subject
