"""A message as plain text, for people who read it on whatever screen is at hand."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from contactd.alerts.message import About, Message, when
from contactd.core.alert import Alert

WIDTH = 76
MOST_TITLE_LENGTH = 150

_ABOUT = {
    About.RAISED: "",
    About.ESCALATED: "escalated",
    About.REMINDER: "reminder",
    About.ACKNOWLEDGED: "in hand",
    About.RESOLVED: "resolved",
}


def title(message: Message) -> str:
    """One line: severity, what the message is about, and the most severe alert in words."""
    first = message.alerts[0]
    head = message.severity.value.upper()
    if message.about is not About.RAISED:
        head = f"{_ABOUT[message.about]}: {head}"
    more = len(message.alerts) - 1
    rest = f" (and {more} more)" if more else ""
    room = MOST_TITLE_LENGTH - len(head) - len(rest) - 1
    what = " ".join(first.what.split())
    if len(what) > room:
        what = what[: room - 1].rstrip() + "…"
    return f"{head} {what}{rest}"


def body(message: Message) -> str:
    """The whole message, wrapped for a terminal or a telephone; ends with a line break."""
    blocks = [_block(alert, message) for alert in message.alerts]
    if message.remark:
        blocks.insert(0, _wrap("", message.remark[0].upper() + message.remark[1:] + "."))
    return "\n\n".join(blocks) + "\n"


def _block(alert: Alert, message: Message) -> str:
    return "\n".join(_lines(alert, message))


def _lines(alert: Alert, message: Message) -> Iterator[str]:
    yield _wrap("", f"{alert.severity.value.upper()}: {alert.what}")
    yield _wrap("When:  ", when(alert, message.at))
    if message.about is not About.RESOLVED:
        yield _wrap("Do:    ", alert.advice)
    if alert.late:
        yield _wrap("Late:  ", "it fell due while the service was down.")
    link = message.links.get(alert.identity)
    if link and message.about not in (About.RESOLVED, About.ACKNOWLEDGED):
        yield f"Acknowledge: {link}"
    yield f"({alert.identity})"


def _wrap(head: str, text: str) -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=head,
        subsequent_indent=" " * len(head),
        break_long_words=False,
        break_on_hyphens=False,
    )
