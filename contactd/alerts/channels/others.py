"""Alerts through the apprise library, which speaks to many services.

Each service is one URL of that library's; it may hold secrets, so that it is read from a file and
never shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from contactd.alerts import text
from contactd.alerts.notification import About, Notification
from contactd.core.alert import Severity
from contactd.core.errors import ContactdError, DeliveryError, InputError

_TYPES = {Severity.ADVISORY: "info", Severity.CAUTION: "warning", Severity.WARNING: "failure"}


class ApprisedChannel:
    """Sends each message as text to all of the URLs.

    Raises:
        ContactdError: if the library is not installed.
        InputError: for a URL that the library does not understand; the URL is not repeated.
    """

    def __init__(self, name: str, urls: Sequence[str]) -> None:
        try:
            import apprise
        except ModuleNotFoundError:
            raise ContactdError(
                "this channel needs one more library: pip install 'contactd[apprise]'"
            ) from None
        self.name = name
        self._services: Any = apprise.Apprise()
        for number, url in enumerate(urls, 1):
            if not self._services.add(url):
                raise InputError("a URL that the apprise library understands", f"URL {number}")

    async def send(self, notification: Notification) -> None:
        """Send the message; it is accepted when all services have accepted it."""
        resolved = notification.about in (About.RESOLVED, About.ACKNOWLEDGED)
        accepted = await self._services.async_notify(
            title=text.title(notification),
            body=text.body(notification),
            notify_type="success" if resolved else _TYPES[notification.severity],
            body_format="text",
        )
        if not accepted:
            raise DeliveryError(self.name, "at least one service did not accept it", True)

    async def close(self) -> None:
        """Nothing is held open."""
