"""Alerts in the service's own log."""

from __future__ import annotations

from typing import Any

from contactd.alerts.notification import About, Notification, when
from contactd.core.alert import Severity

_LEVELS = {Severity.ADVISORY: "info", Severity.CAUTION: "warning", Severity.WARNING: "error"}


class LogChannel:
    """Writes each alert as one line: severity, what, when, what to do.

    Args:
        logger: a structlog logger, or None for the service's.
    """

    def __init__(self, name: str = "log", logger: Any = None) -> None:
        self.name = name
        if logger is None:
            import structlog

            logger = structlog.get_logger("contactd.alerts")
        self._logger = logger

    async def send(self, notification: Notification) -> None:
        """Write the message's alerts to the log."""
        for alert in notification.alerts:
            if notification.about is About.RESOLVED:
                self._logger.info(
                    f"resolved: {alert.what}", kind=alert.kind, identity=alert.identity
                )
                continue
            late = " (late: the service was down)" if alert.late else ""
            write = getattr(self._logger, _LEVELS[alert.severity])
            write(
                f"{alert.severity.value.upper()}{late}: {alert.what}",
                when=when(alert, notification.at),
                do=alert.do,
                kind=alert.kind,
                identity=alert.identity,
                **({"notice": alert.notice} if alert.notice else {}),
            )

    async def close(self) -> None:
        """Nothing is held open."""
