"""Keep-clears, and people planned near during one, in words. Instants are in seconds."""

from __future__ import annotations

from contactd.mission.texts.text import Actor, Stop, Text, bounds, joined, quoted, since, until

CREW_LEAD = Actor.CREW_LEAD


def keep_clear_begins(
    target: str,
    step: str,
    start_s: float,
    end_s: float,
    now_s: float,
    notice: str = "",
    zone: str = "",
) -> Text:
    """A keep-clear that comes, or holds. ``zone`` is how far away, such as ``200 m``, or ""."""
    about = f"step {quoted(step)}"
    clear = f"keep {zone} clear" if zone else "keep clear"
    away = f"everyone {zone} away" if zone else "everyone away"
    if now_s >= start_s:
        what = f"{target}: {clear} until {since(end_s)}, {about}."
        do = f"{CREW_LEAD}: keep {away} until range safety releases it."
    else:
        what = f"{target}: {clear} {bounds(start_s, end_s)}, {about}."
        do = f"{CREW_LEAD}: get {away} before {until(start_s, now_s)}."
    return Text(what, do, notice)


def keep_clear_ends(target: str, step: str, end_s: float, notice: str = "") -> Text:
    """A keep-clear whose computed end has passed; that alone permits nobody to approach."""
    return Text(
        f"{target}: computed keep-clear ended {since(end_s)}, step {quoted(step)}.",
        f"{CREW_LEAD}: stay away until range safety confirms the step's state.",
        notice,
    )


def people_in_keep_clear(
    target: str,
    start_s: float,
    end_s: float,
    stop: Stop | None,
    now_s: float,
    notice: str = "",
) -> Text:
    """People planned near a target during a keep-clear, and how the step can still be stopped."""
    what = f"{target}: people planned near during keep-clear, {bounds(start_s, end_s)}."
    task = f"move people out before {until(start_s, now_s)}."
    if now_s >= start_s:
        what = f"{target}: people planned near during keep-clear until {since(end_s)}."
        task = "move people out now."
    instead = ""
    if stop is not None:
        instead = f"Or {stop.said(now_s)}."
    return Text(what, joined(f"{CREW_LEAD}: {task}", instead), notice)
