"""A handover as Markdown and as a sheet of paper."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from contactd.core.instants import to_text
from contactd.faces.handover.gather import Handover, Item

SECTIONS = (
    ("Open", "open_items", "Nothing is open."),
    ("Coming in the next shift", "coming", "Nothing is coming."),
    ("Known", "known", "No sequence is configured."),
    ("Changed", "changed", "Nothing changed."),
    ("Decided and done", "decided", "Nothing was decided."),
)


def moment(instant: float) -> str:
    """``2026-12-03 (337) 08:00:00Z``: rounded down to the second."""
    whole = math.floor(instant)
    text = to_text(whole, 0)
    return f"{text[:10]} ({to_text(whole, 0, True)[5:8]}) {text[11:]}"


def when(item: Item) -> str:
    """The time of an item; an interval is widened to whole seconds."""
    if item.until is None:
        return moment(item.at)
    first, last = moment(item.at), moment(math.ceil(item.until))
    return f"{first} to {last[17:] if first[:10] == last[:10] else last}"


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
    out = [f"# Handover at {moment(handover.now)}", ""]
    out.append(
        f"The shift since {moment(handover.since)}; the next one until {moment(handover.until)}."
    )
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
        out += ["", f"**Caution.** {handover.notice}"]
    return "\n".join(out) + "\n"


def pdf(handover: Handover, notice: str = "") -> bytes:
    """The handover as a PDF for those who work from paper.

    Args:
        notice: a sentence for the head of every page, such as that this is a rehearsal.
    """
    from contactd.faces.page.paper.sheet import Sheet

    subtitle = f"Since {moment(handover.since)}; next shift until {moment(handover.until)}"
    basis = f"From the ledger as of {moment(handover.now)}."
    sheet = Sheet(f"Handover at {moment(handover.now)}", subtitle, basis, notice)
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
