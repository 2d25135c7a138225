"""A message as plain text, for people who read it on whatever screen is at hand."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from contactd.alerts.notification import About, Notification, when
from contactd.core.alert import Alert

WIDTH = 76
MOST_TITLE_LENGTH = 150

_ABOUT = {
    About.RAISED: "",
    About.ESCALATED: "escalated",
    About.REMINDER: "reminder",
    About.ACKNOWLEDGED: "in hand",
    About.CHANGED: "changed",
    About.AGAIN: "again",
    About.RESOLVED: "resolved",
}


def title(notification: Notification) -> str:
    """One line: severity, what the message is about, and the most severe alert in words."""
    first = notification.alerts[0]
    head = notification.severity.value.upper()
    if notification.about is not About.RAISED:
        head = f"{_ABOUT[notification.about]}: {head}"
    more = len(notification.alerts) - 1
    rest = f" (and {more} more)" if more else ""
    room = MOST_TITLE_LENGTH - len(head) - len(rest) - 1
    what = " ".join(first.what.split())
    if len(what) > room:
        what = what[: room - 1].rstrip() + "…"
    return f"{head} {what}{rest}"


def body(notification: Notification) -> str:
    """The whole message, wrapped for a terminal or a telephone; ends with a line break."""
    blocks = [_block(alert, notification) for alert in notification.alerts]
    if notification.remark:
        blocks.insert(0, _wrap("", notification.remark[0].upper() + notification.remark[1:] + "."))
    notices = dict.fromkeys(each.notice for each in notification.alerts if each.notice)
    blocks += [_wrap("", notice) for notice in notices]
    return "\n\n".join(blocks) + "\n"


def _block(alert: Alert, notification: Notification) -> str:
    return "\n".join(_lines(alert, notification))


def _lines(alert: Alert, notification: Notification) -> Iterator[str]:
    yield _wrap("", f"{alert.severity.value.upper()}: {alert.what}")
    yield _wrap("When:  ", when(alert, notification.at))
    if alert.do:
        yield _wrap("Do:    ", alert.do)
    if alert.late:
        yield _wrap("Late:  ", "it fell due while the service was down.")
    link = notification.links.get(alert.identity)
    if link and notification.about not in (About.RESOLVED, About.ACKNOWLEDGED):
        yield f"Acknowledge: {link}"
    runbook = notification.runbook_of(alert)
    if runbook and notification.about not in (About.RESOLVED, About.ACKNOWLEDGED):
        yield f"Runbook: {runbook}"
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
