"""Alerts to an Alertmanager, by its API's version 2: POST of a list to ``/api/v2/alerts``.

An alert there is known by its labels, so that these hold only what never changes of it. Events end
when their matter is over; conditions are given a far end, and their true one when they are
resolved. An acknowledgement has no counterpart there and is not sent.

Source: Alertmanager's OpenAPI document, ``postableAlerts``; values from memory, confirmed against
the real program in the tests.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from contactd.alerts.http_post import Poster
from contactd.alerts.notification import About, Notification, when
from contactd.core.alert import Alert
from contactd.mission.timetext import NEAREST, machine

if TYPE_CHECKING:
    import ssl

    from contactd.alerts.address_filter import Guard

FAR_S = 30 * 86_400.0
# An end counts there only once it is past by that machine's clock, which may lag behind ours.
PAST_S = 2.0
# An end that has passed when it comes is accepted there, and nobody is told.
LEAST_AHEAD_S = 300.0
API = "/api/v2/alerts"


class AlertmanagerChannel:
    """Posts alerts to an Alertmanager.

    Args:
        url: of the Alertmanager, such as ``http://127.0.0.1:9093``.
        labels: more labels for every alert, such as a site's name.
    """

    def __init__(
        self,
        name: str,
        url: str,
        labels: dict[str, str] | None = None,
        timeout_s: float = 10.0,
        guard: Guard | None = None,
        verify: ssl.SSLContext | None = None,
    ) -> None:
        self.name = name
        self._url = url.rstrip("/") + API
        self._labels = labels or {}
        self._poster = Poster(name, timeout_s, guard, verify)

    async def send(self, notification: Notification) -> None:
        """Post the message's alerts."""
        if notification.about is About.ACKNOWLEDGED:
            return
        body = json.dumps(
            [self._alert(alert, notification) for alert in notification.alerts]
        ).encode()
        headers = {"Content-Type": "application/json", "Idempotency-Key": notification.key}
        await self._poster.post(self._url, body, headers)

    async def close(self) -> None:
        """Close the connections."""
        await self._poster.close()

    def _alert(self, alert: Alert, notification: Notification) -> dict[str, Any]:
        starts = min(alert.due, notification.at - 2 * PAST_S)
        if notification.about is About.RESOLVED:
            ends = notification.at - PAST_S
        else:
            ends = min(alert.over_at, notification.at + FAR_S)
            ends = max(ends, notification.at + LEAST_AHEAD_S)
        annotations = {
            "summary": alert.what,
            "description": alert.do,
            "when": when(alert, notification.at),
        }
        runbook = notification.runbook_of(alert)
        if runbook:
            annotations["runbook_url"] = runbook
        if alert.late:
            annotations["late"] = "it fell due while the service was down"
        if notification.remark:
            annotations["remark"] = notification.remark
        posted = {
            "labels": {
                **self._labels,
                "alertname": alert.kind,
                "severity": alert.severity.value,
                "identity": alert.identity,
                "subject": alert.subject,
                # A label without a value is no label there.
                **({"target": alert.target} if alert.target else {}),
            },
            "annotations": annotations,
            "startsAt": machine(starts, NEAREST),
            "endsAt": machine(ends, NEAREST),
        }
        link = notification.links.get(alert.identity)
        return {**posted, "generatorURL": link} if link else posted
