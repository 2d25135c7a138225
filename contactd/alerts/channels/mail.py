"""Alerts by e-mail.

A message's ``Message-ID`` is made from its key, so that a mailbox that drops duplicates sees it
once; what follows an alert refers to it and is shown with it. ``Auto-Submitted`` keeps automatic
replies away.

Sources: RFC 5321 section 4.2.1 (first digit of a reply: 4 try again, 5 do not), RFC 5322 section
3.6.4 (Message-ID, References), RFC 3834 section 5 (Auto-Submitted), RFC 2156 (Importance),
RFC 8314 (TLS from the first byte, or STARTTLS).
"""

from __future__ import annotations

from dataclasses import dataclass
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from typing import TYPE_CHECKING, Literal

from contactd.alerts import text
from contactd.alerts.notification import About, Notification
from contactd.core.alert import Severity
from contactd.core.errors import ContactdError, DeliveryError, InputError
from contactd.core.instants import to_utc

if TYPE_CHECKING:
    import ssl

MOST_REMEMBERED = 1_000
"""Messages that some recipients have and others do not yet."""
Security = Literal["tls", "starttls", "none"]


@dataclass(frozen=True, slots=True)
class MailServer:
    """Where mail is handed in.

    Attributes:
        security: ``tls`` from the first byte, ``starttls``, or ``none`` (a local server only).
        user, password: if it asks for them.
        context: how its certificate is checked; None for the usual way.
    """

    host: str
    port: int = 465
    security: Security = "tls"
    user: str | None = None
    password: str | None = None
    context: ssl.SSLContext | None = None


class MailChannel:
    """Sends each message as an e-mail to all recipients.

    Raises:
        ContactdError: if the library is not installed.
        InputError: for addresses that are none.
    """

    def __init__(
        self,
        name: str,
        server: MailServer,
        sender: str,
        recipients: tuple[str, ...],
        timeout_s: float = 20.0,
    ) -> None:
        try:
            import aiosmtplib  # noqa: F401
        except ModuleNotFoundError:
            raise ContactdError(
                "e-mail needs one more library: pip install 'contactd[mail]'"
            ) from None
        self.name = name
        self._server = server
        self._sender = _address(sender)
        self._recipients = tuple(_address(each) for each in recipients)
        self._timeout_s = timeout_s
        self._accepted: dict[str, set[str]] = {}

    async def send(self, notification: Notification) -> None:
        """Hand the message in; the server's acceptance, for each recipient, accepts it.

        Whoever has it already does not get it again.
        """
        import aiosmtplib

        server = self._server
        has = self._accepted.get(notification.key, set())
        wanted = [each.addr_spec for each in self._recipients if each.addr_spec not in has]
        try:
            refused, _ = await aiosmtplib.send(
                self.compose(notification),
                recipients=wanted,
                hostname=server.host,
                port=server.port,
                use_tls=server.security == "tls",
                start_tls=server.security == "starttls",
                username=server.user,
                password=server.password,
                tls_context=server.context,
                timeout=self._timeout_s,
            )
        except aiosmtplib.SMTPRecipientsRefused as error:
            codes = [each.code for each in error.recipients]
            reason = "; ".join(f"{e.recipient}: {e.code} {e.message}" for e in error.recipients)
            raise DeliveryError(self.name, reason, min(codes, default=400) < 500) from error
        except aiosmtplib.SMTPResponseException as error:
            raise DeliveryError(
                self.name, f"answered {error.code} {error.message}", error.code < 500
            ) from error
        except (aiosmtplib.SMTPException, OSError, ValueError) as error:
            # No connection, a broken one, or none that is safe enough.
            again = not isinstance(error, ValueError)
            raise DeliveryError(self.name, str(error) or type(error).__name__, again) from error
        if not refused:
            self._accepted.pop(notification.key, None)
            return
        while len(self._accepted) >= MOST_REMEMBERED:
            del self._accepted[next(iter(self._accepted))]
        self._accepted[notification.key] = has | (set(wanted) - refused.keys())
        reason = "; ".join(f"{who}: {code} {why}" for who, (code, why) in sorted(refused.items()))
        again = min(code for code, _ in refused.values()) < 500
        raise DeliveryError(self.name, f"refused for some: {reason}", again)

    async def close(self) -> None:
        """Nothing is held open."""

    def compose(self, notification: Notification) -> EmailMessage:
        """The e-mail for a message."""
        mail = EmailMessage()
        mail["Subject"] = text.title(notification)
        mail["From"] = self._sender
        mail["To"] = self._recipients
        mail["Date"] = format_datetime(to_utc(notification.at))
        mail["Message-ID"] = self._identity(notification.key)
        first = notification.alerts[0].identity
        if notification.about is not About.RAISED:
            mail["References"] = self._identity(first)
            mail["In-Reply-To"] = self._identity(first)
        mail["Auto-Submitted"] = "auto-generated"
        if notification.severity is Severity.WARNING:
            mail["Importance"] = "high"
        mail.set_content(text.body(notification))
        return mail

    def _identity(self, key: str) -> str:
        return f"<{key}@{self._sender.domain}>"


def _address(written: str) -> Address:
    try:
        address = Address(addr_spec=written)
    except (MessageError, ValueError, IndexError):
        address = None
    if address is None or not address.domain or not address.username or not written.isascii():
        raise InputError("an e-mail address such as watch@example.org", repr(written))
    return address
