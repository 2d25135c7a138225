"""Alerts in the log: one line each, readable at three in the morning, and as JSON."""

import io
import json
from dataclasses import replace

import structlog

from contactd.alerts.channels.log import LogChannel
from contactd.alerts.notification import About, Notification
from contactd.core.alert import Alert, Severity
from contactd.core.instants import from_text

NOW = from_text("2026-12-03T12:00:00Z")
ALERT = Alert(
    identity="contact-coming-0123",
    kind="contact-coming",
    severity=Severity.CAUTION,
    target="Lantern 3",
    subject="Lantern 3/Norrsund",
    what="Lantern 3 comes into view of Norrsund at 2026-12-03 12:10:30Z.",
    do="Have Norrsund ready.",
    due=NOW,
    moment=NOW + 630,
    over_at=NOW + 900,
)


async def written(alert: Alert, about: About = About.RAISED) -> dict:
    out = io.StringIO()
    logger = structlog.wrap_logger(
        structlog.PrintLogger(out),
        processors=[structlog.processors.add_log_level, structlog.processors.JSONRenderer()],
    )
    channel = LogChannel(logger=logger)
    await channel.send(
        Notification(alert.identity, "log", about, (alert,), (alert.identity,), NOW, at=NOW)
    )
    await channel.close()
    return json.loads(out.getvalue())


async def test_an_alert_says_severity_what_when_and_what_to_do():
    assert await written(ALERT) == {
        "event": "CAUTION: Lantern 3 comes into view of Norrsund at 2026-12-03 12:10:30Z.",
        "when": "2026-12-03 12:10:30Z, in 10 min 30 s",
        "do": "Have Norrsund ready.",
        "kind": "contact-coming",
        "identity": "contact-coming-0123",
        "level": "warning",
    }


async def test_the_level_follows_the_severity():
    levels = [(await written(replace(ALERT, severity=severity)))["level"] for severity in Severity]
    assert levels == ["info", "warning", "error"]


async def test_a_late_alert_says_that_it_is_late():
    assert (await written(replace(ALERT, late=True)))["event"].startswith(
        "CAUTION (late: the service was down): "
    )


async def test_a_resolved_alert_says_so():
    line = await written(ALERT, About.RESOLVED)
    assert line["event"].startswith("resolved: Lantern 3 comes into view")
    assert line["level"] == "info"
