"""A handover as Markdown and as a sheet of paper."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from contactd.faces.handover.gather import Handover, Item
from contactd.mission.timetext import NEAREST, moment

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
    sheet.boxes(("Handed over by", "Taken over by", "At (UTC)"))
    return sheet.finish()


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("|", "\\|").replace("\n", " ").replace("<", "&lt;")
