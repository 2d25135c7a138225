"""A handover as Markdown and as a sheet of paper."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from contactd.faces.handover.gather import Handover, Item
from contactd.mission.timetext import NEAREST, NO_EARLIER, length, moment

SECTIONS = (
    ("Open", "open_items", "Nothing is open."),
    ("Decisions in the next shift", "decisions", "Nothing to decide."),
    ("Routine in the next shift", "routine", "Nothing is coming."),
    ("Known", "known", "No sequence is configured."),
    ("Changed", "changed", "Nothing changed."),
    ("Decided and done", "decided", "Nothing was decided."),
)


def when(item: Item) -> str:
    """The time of an item, on the safe side."""
    first = moment(item.at, item.safe[0])
    if item.until is None:
        return first
    last = moment(item.until, item.safe[1])
    return f"{first} to {last[11:] if first[:10] == last[:10] else last}"


def _at(instant: float) -> str:
    return moment(instant, NEAREST)


def lines(items: Sequence[Item], otherwise: str) -> Iterator[str]:
    """One line of text for each item; the given sentence where there is none."""
    if not items:
        yield otherwise
    for item in items:
        about = f"{item.about}: " if item.about else ""
        who = f" ({item.who})" if item.who and item.who != "contactd" else ""
        yield f"{when(item)}  {about}{item.what}{who}"


ALARMS_TITLE = "Alarms of the shift"
ALARMS = ("Role", "Alarms", "Mean, 10 min", "Peak, 10 min", "In flood", "Over 1 day",
          "Acknowledged, median")  # fmt: skip


def alarm_rows(handover: Handover) -> list[tuple[str, ...]]:
    """The figures of alarms that demanded action, as cells; none where there were none."""
    return [
        (
            each.role,
            str(each.alarms),
            f"{each.mean_per_10min:.2f}",
            str(each.peak_per_10min),
            f"{100 * each.flood_share:.0f} %",
            str(each.standing),
            "-" if each.median_s is None else length(each.median_s, NO_EARLIER),
        )
        for each in handover.alarms
        if each.alarms or each.standing
    ]


def flat(handover: Handover) -> tuple[list[str], list[dict[str, object]]]:
    """The columns of one table of all lines, and its rows: each says its section."""
    forms = handover.as_json()
    rows = [
        {"section": section, **form}
        for section in ("open", "coming", "known", "changed", "decided")
        for form in forms[section]
    ]
    columns = ("at", "until", "about", "what", "who", "kind", "stops", "station", "decision",
               "severity")  # fmt: skip
    return ["section", *columns], rows


def markdown(handover: Handover) -> str:
    """The handover as Markdown."""
    out = [f"# Shift handover at {_at(handover.now)}", ""]
    out.append(f"The shift since {_at(handover.since)}; the next one until {_at(handover.until)}.")
    for title, name, otherwise in SECTIONS:
        items: Sequence[Item] = getattr(handover, name)
        out += ["", f"## {title}", ""]
        if not items:
            out.append(otherwise)
            continue
        out += ["| When (UTC) | About | What | Who |", "|---|---|---|---|"]
        for item in items:
            cells = (when(item), item.about, item.what, item.who)
            out.append("| " + " | ".join(_escaped(cell) for cell in cells) + " |")
    figures = alarm_rows(handover)
    if figures:
        out += [
            "",
            f"## {ALARMS_TITLE}",
            "",
            f"| {' | '.join(ALARMS)} |",
            "|---" * len(ALARMS) + "|",
        ]
        out += [f"| {' | '.join(row)} |" for row in figures]
    if handover.notice:
        out += ["", f"**{handover.notice}**"]
    return "\n".join(out) + "\n"


def pdf(handover: Handover, notice: str = "") -> bytes:
    """The handover as a PDF for those who work from paper.

    Args:
        notice: a sentence for the head of every page, such as that this is a rehearsal.
    """
    from contactd.faces.page.sheets.sheet import Sheet

    subtitle = f"Since {_at(handover.since)}; next shift until {_at(handover.until)}"
    basis = f"From the ledger as of {_at(handover.now)}."
    sheet = Sheet(f"Shift handover at {_at(handover.now)}", subtitle, basis, notice)
    if handover.notice:
        sheet.warns(handover.notice)
    for title, name, otherwise in SECTIONS:
        items: Sequence[Item] = getattr(handover, name)
        sheet.heading(title)
        if not items:
            sheet.says(otherwise)
            continue
        rows = [(when(item), item.about, item.what, item.who) for item in items]
        sheet.table(("When (UTC)", "About", "What", "Who"), rows, (30, 22, 40, 8))
    figures = alarm_rows(handover)
    if figures:
        sheet.heading(ALARMS_TITLE)
        sheet.table(ALARMS, figures, (28, 12, 12, 12, 12, 12, 12))
    sheet.boxes(("Handed over by", "Taken over by", "At (UTC)"))
    return sheet.finish()


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("|", "\\|").replace("\n", " ").replace("<", "&lt;")
