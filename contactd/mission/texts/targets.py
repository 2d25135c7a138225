"""Elements and predictions that cannot be relied on, in words. Instants are in seconds."""

from __future__ import annotations

from contactd.mission.texts.text import Actor, Text, bounds, joined, since, until
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, length, moment, rounded

ORBIT_ANALYST = Actor.ORBIT_ANALYST
HOUR_S, DAY_S = 3600.0, 86_400.0


def elements_stale(
    target: str, age_s: float, limit_s: float, next_aos_s: float | None, now_s: float
) -> Text:
    """Elements too far from their epoch: ``age_s`` after it, or before it where negative."""
    unit_s = DAY_S if abs(age_s) >= 2 * DAY_S else HOUR_S
    over = length(rounded(abs(age_s), NO_LATER, unit_s), NO_LATER)
    age = f"over {over} {'old' if age_s >= 0 else 'ahead of now'}"
    before = "now." if next_aos_s is None else f"before AOS {until(next_aos_s, now_s)}."
    return Text(
        f"{target}: elements {age}, limit {length(limit_s, NO_LATER)}.",
        f"{ORBIT_ANALYST}: load newer elements {before}",
    )


def contacts_moved(
    target: str,
    moved: tuple[str, float, float] | None,
    lone: tuple[str, float, float, bool] | None,
    now_s: float,
) -> Text:
    """New elements that move contacts.

    Args:
        moved: station, AOS before and after (instants, s) of the one that moved the most; or None.
        lone: station, AOS (instant, s), duration (s) of the longest contact that there is only
            with one of both, and whether it is new; or None.
    """
    facts, before_s = [], []
    if moved is not None:
        station, old_s, new_s = moved
        apart = length(abs(new_s - old_s), NO_EARLIER)
        way = "later" if new_s > old_s else "earlier"
        facts.append(
            f"{target}: new elements move AOS with {station} by {apart}, to "
            f"{moment(new_s, NEAREST)} ({way})."
        )
        before_s.append(min(old_s, new_s))
    if lone is not None:
        station, aos_s, duration_s, appeared = lone
        did = "add" if appeared else "remove"
        head = f"{target}: new elements" if not facts else "They"
        facts.append(
            f"{head} {did} a contact with {station}, {until(aos_s)}, "
            f"{length(duration_s, NEAREST)} long."
        )
        before_s.append(aos_s)
    first_s = min(before_s, default=now_s)
    when = "now" if first_s <= now_s else f"before {until(first_s, now_s)}"
    return Text(
        joined(*facts),
        f"{ORBIT_ANALYST}: compare both sets {when}. Use earlier AOS, later LOS.",
    )


def target_not_predicted(target: str, reason: str) -> Text:
    """A target that cannot be predicted in full: ``reason`` says why."""
    return Text(
        f"{target}: prediction incomplete: {_end(reason)}",
        f"{ORBIT_ANALYST}: correct the elements now. Contacts may be missing.",
    )


def prediction_gap(target: str, start_s: float, end_s: float, now_s: float) -> Text:
    """A time in which nothing is known of a target's motion."""
    if now_s >= start_s:
        return Text(
            f"{target}: no prediction until {since(end_s)}.",
            f"{ORBIT_ANALYST}: load an ephemeris up to {since(end_s, now_s)} now.",
        )
    span, begins = bounds(start_s, end_s, now_s), until(start_s, now_s)
    return Text(
        f"{target}: no prediction {bounds(start_s, end_s)}.",
        f"{ORBIT_ANALYST}: load an ephemeris for {span} before {begins}.",
    )


def prediction_ends(target: str, end_s: float, now_s: float) -> Text:
    """A prediction that ends soon."""
    end = until(end_s, now_s)
    when = "now" if end_s <= now_s else f"before {end}"
    return Text(
        f"{target}: prediction ends {until(end_s)}.",
        f"{ORBIT_ANALYST}: load elements beyond {end} {when}.",
    )


def _end(reason: str) -> str:
    return " ".join(reason.split()).rstrip(".") + "."
