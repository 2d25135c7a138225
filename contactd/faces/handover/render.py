"""A handover as Markdown and as a sheet of paper."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from contactd.core.handover import ReadBack
from contactd.faces.handover.gather import Handover, Item
from contactd.mission.timetext import NEAREST, NO_EARLIER, length, moment

if TYPE_CHECKING:
    from contactd.faces.page.sheets.sheet import Sheet

Cells = tuple[str, ...]
Left = tuple[str, Cells, list[Cells], tuple[int, ...]]

FRONT = 2
"""So many sections come first, and what is to be read back; the rest is the appendix."""
FRONT_PAGES = 2
MOST_IN_FRONT = (30, 20, 14, 10, 7, 5, 3, 2, 1)
"""Rows of each table in front: as many of these as fit on two pages."""
HEADS, SHARES = ("When (UTC)", "About", "What", "Who"), (30, 22, 40, 8)
READ_BACK = "Hazards, stops and doubts to read back"
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


def read_back_lines(handover: Handover) -> Iterator[str]:
    """What is to be read back, and how it was, a line each; nothing where nothing is open."""
    if not handover.read_back:
        return
    yield ""
    yield f"{READ_BACK}{_given(handover)}"
    for number, (item, read) in enumerate(handover.read_back, 1):
        yield f"{number:>3}  {item.about}: {item.kind}: {item.what} {_confirmed(read)}"


def _given(handover: Handover) -> str:
    given = handover.given
    if given is None:
        return ""
    to = f" to {given.to}" if given.to else ""
    return f" (handed over by {given.author}{to}, {_at(given.at)})"


def _confirmed(read: ReadBack | None) -> str:
    if read is None:
        return "[not read back]"
    words = f": “{read.words}”" if read.words else ""
    return f"[{read.author}, {_at(read.at)}{words}]"


def _read_back_rows(handover: Handover) -> list[Cells]:
    return [
        (str(number), f"{item.kind}: {item.about}", item.what, _confirmed(read) if read else "")
        for number, (item, read) in enumerate(handover.read_back, 1)
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
    rows = _read_back_rows(handover)
    if rows:
        out += ["", f"## {READ_BACK}{_given(handover)}", ""]
        out += ["| No. | About | What | Read back by, in their words |", "|---|---|---|---|"]
        out += ["| " + " | ".join(_escaped(cell) for cell in row) + " |" for row in rows]
    for place, (title, name, otherwise) in enumerate(SECTIONS):
        items: Sequence[Item] = getattr(handover, name)
        if place == FRONT:
            out += ["", "# Appendix"]
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

    What is open and hazardous stands on the first two pages, however much that is: what does not
    fit there is said there, and stands first in the appendix.

    Args:
        notice: a sentence for the head of every page, such as that this is a rehearsal.
    """
    for most in MOST_IN_FRONT:
        sheet, left = _front(handover, notice, most)
        if sheet.pdf.page_no() <= FRONT_PAGES:
            break
    sheet.pdf.add_page()
    sheet.heading("Appendix")
    for title, heads, rows, shares in left:
        sheet.heading(f"{title}, continued")
        sheet.table(heads, rows, shares)
    for title, name, otherwise in SECTIONS[FRONT:]:
        sheet.heading(title)
        rows = _rows(getattr(handover, name))
        if rows:
            sheet.table(HEADS, rows, SHARES)
        else:
            sheet.says(otherwise)
    figures = alarm_rows(handover)
    if figures:
        sheet.heading(ALARMS_TITLE)
        sheet.table(ALARMS, figures, (28, 12, 12, 12, 12, 12, 12))
    return sheet.finish()


def _front(handover: Handover, notice: str, most: int) -> tuple[Sheet, list[Left]]:
    """The first pages with at most so many rows of each table, and what is left of each."""
    from contactd.faces.page.sheets.sheet import Sheet

    subtitle = f"Since {_at(handover.since)}; next shift until {_at(handover.until)}"
    basis = f"From the ledger as of {_at(handover.now)}."
    sheet = Sheet(f"Shift handover at {_at(handover.now)}", subtitle, basis, notice)
    if handover.notice:
        sheet.warns(handover.notice)
    tables = [
        (title, HEADS, _rows(getattr(handover, name)), SHARES, otherwise)
        for title, name, otherwise in SECTIONS[:FRONT]
    ]
    heads = ("No.", "About", "What", "Read back by, in their words")
    title = f"{READ_BACK}{_given(handover)}"
    nothing = "No hazard, stop or doubt is open."
    tables.insert(1, (title, heads, _read_back_rows(handover), (5, 27, 40, 28), nothing))
    left: list[Left] = []
    for title, heads, rows, shares, otherwise in tables:
        sheet.heading(title)
        if rows:
            sheet.table(heads, rows[:most], shares)
        else:
            sheet.says(otherwise)
        if len(rows) > most:
            sheet.says(f"{len(rows) - most} more in the appendix.")
            left.append((title, heads, rows[most:], shares))
    sheet.boxes(("Handed over by", "Taken over by", "At (UTC)"))
    return sheet, left


def _rows(items: Sequence[Item]) -> list[Cells]:
    return [(when(item), item.about, item.what, item.who) for item in items]


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("|", "\\|").replace("\n", " ").replace("<", "&lt;")
