"""Messages as plain text, as somebody reads them at three in the morning."""

from dataclasses import replace

import pytest

from contactd.alerts import text
from contactd.alerts.notification import About
from contactd.core.alert import Severity
from contactd.mission.texts.notice import NOTICE


def test_the_whole_of_a_warning_fits_a_terminal_and_says_what_when_and_what_to_do(letters):
    notification = letters.notification(links={letters.alert.identity: "https://watch.example/a/1"})
    assert text.body(notification) == (
        "WARNING: Step 'antenna release' of Lantern 3 expires uncovered, 2026-12-03\n"
        "12:50:00Z to 12:51:00Z.\n"
        "When:  2026-12-03 12:50:00Z, in 50 min\n"
        "Do:    Controller: decide; to prevent it, stop 'antenna release' through\n"
        "       Norrsund by 12:10:00Z.\n"
        "Acknowledge: https://watch.example/a/1\n"
        "(step-uncovered-0123)\n"
    )


def test_the_title_begins_with_the_severity(letters):
    assert text.title(letters.notification()) == (
        "WARNING Step 'antenna release' of Lantern 3 expires uncovered,"
        " 2026-12-03 12:50:00Z to 12:51:00Z."
    )


@pytest.mark.parametrize(
    ("about", "head"),
    [
        (About.ESCALATED, "escalated: WARNING "),
        (About.REMINDER, "reminder: WARNING "),
        (About.ACKNOWLEDGED, "in hand: WARNING "),
        (About.RESOLVED, "resolved: WARNING "),
    ],
)
def test_the_title_says_what_else_it_is_about(letters, about, head):
    assert text.title(letters.notification(about=about)).startswith(head)


def test_a_title_is_one_line_of_bounded_length_and_counts_the_others(letters):
    long = replace(letters.alert, what="word\r\n" * 100)
    title = text.title(letters.notification(long, letters.alert, letters.alert))
    assert len(title) <= text.MOST_TITLE_LENGTH
    assert title.endswith("… (and 2 more)")
    assert title.splitlines() == [title]


def test_what_is_over_asks_for_no_deed(letters):
    link = {letters.alert.identity: "https://watch.example/a/1"}
    over = replace(letters.alert, what="Over: it expired.", do="")
    body = text.body(letters.notification(over, about=About.RESOLVED, links=link))
    assert "Do:" not in body
    assert "Acknowledge" not in body


def test_the_hazard_notice_stands_once_and_last(letters):
    hazardous = replace(letters.alert, notice=NOTICE)
    body = text.body(letters.notification(hazardous, replace(hazardous, identity="b"))).strip()
    assert " ".join(body.split()).count(NOTICE) == 1
    assert " ".join(body.split()).endswith(NOTICE)


def test_late_alerts_and_remarks_say_so(letters):
    late = replace(letters.alert, late=True, severity=Severity.CAUTION)
    body = text.body(letters.notification(late, remark="nobody has acknowledged it"))
    assert body.startswith("Nobody has acknowledged it.\n\nCAUTION: ")
    assert "Late:  it fell due while the service was down." in body


def test_no_line_is_wider_than_a_terminal_but_for_links(letters):
    notification = letters.notification(letters.alert, replace(letters.alert, do="word " * 100))
    assert max(map(len, text.body(notification).splitlines())) <= 80
