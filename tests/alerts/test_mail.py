"""Alerts by e-mail to a real SMTP server on loopback, with and without TLS."""

import asyncio
import email
import email.policy
import ssl
from dataclasses import replace

import pytest
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword
from real_process import free_port

from contactd.alerts.channels.mail import MailChannel, MailServer
from contactd.alerts.notification import About
from contactd.core.errors import DeliveryError, InputError

SENDER = "watch@contactd.example"
RECIPIENTS = ("ada@contactd.example", "grace@contactd.example")


class Mailbox:
    """What the server got, and what it is to answer."""

    def __init__(self) -> None:
        self.mails: list[email.message.EmailMessage] = []
        self.recipients: list[list[str]] = []
        self.answer = "250 accepted"
        self.refused: dict[str, str] = {}

    async def handle_RCPT(self, server, session, envelope, address, options) -> str:
        if address in self.refused:
            return self.refused[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope) -> str:
        if self.answer.startswith("2"):
            mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
            self.mails.append(mail)
            self.recipients.append(envelope.rcpt_tos)
        return self.answer


def authenticate(server, session, envelope, mechanism, data) -> AuthResult:
    assert isinstance(data, LoginPassword)
    right = (data.login, data.password) == (b"watch", b"secret")
    return AuthResult(success=right, handled=False)


class Server(Controller):
    """With ``starttls`` it offers TLS, with ``ssl_context`` it speaks it from the first byte."""

    def __init__(self, handler, starttls=None, login: bool = False, **more) -> None:
        self.options = {"tls_context": starttls, "require_starttls": starttls is not None}
        if login:
            self.options |= {"authenticator": authenticate, "auth_required": True}
            self.options |= {"auth_require_tls": starttls is not None}
        super().__init__(handler, hostname="127.0.0.1", port=free_port(), **more)

    def factory(self) -> SMTP:
        return SMTP(self.handler, hostname="mx.contactd.example", **self.options)


@pytest.fixture(autouse=True)
async def connections_end():
    """TLS takes leave of the server after a message is sent: wait for that before the loop ends."""
    yield
    selector = asyncio.get_running_loop()._selector
    for _ in range(500):
        if len(selector.get_map()) <= 1:  # the loop's own
            return
        await asyncio.sleep(0.01)


@pytest.fixture
def mailbox():
    return Mailbox()


@pytest.fixture
def start():
    running = []

    def begin(handler, **more) -> int:
        server = Server(handler, **more)
        server.start()
        running.append(server)
        return server.port

    yield begin
    for server in running:
        server.stop(no_assert=True)


@pytest.fixture(scope="module")
def authority():
    return trustme.CA()


@pytest.fixture
def certified(authority):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(context)
    return context


@pytest.fixture
def trusting(authority):
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


def channel(port: int, recipients=RECIPIENTS, host: str = "127.0.0.1", **more) -> MailChannel:
    server = MailServer(host, port, **({"security": "none"} | more))
    return MailChannel("mail", server, SENDER, recipients, timeout_s=5.0)


async def test_a_mail_says_everything_to_everybody(start, mailbox, letters):
    await channel(start(mailbox)).send(letters.notification())
    (mail,) = mailbox.mails
    assert mailbox.recipients == [list(RECIPIENTS)]
    assert mail["Subject"].startswith("WARNING Step 'antenna release' of Lantern 3 expires")
    assert mail["From"] == SENDER
    assert mail["To"] == ", ".join(RECIPIENTS)
    assert mail["Date"] == "Thu, 03 Dec 2026 12:00:00 +0000"
    assert mail["Importance"] == "high"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert "When:  2026-12-03 12:50:00Z, in 50 min" in mail.get_content()


async def test_a_mail_is_known_by_its_message_id_and_what_follows_refers_to_it(
    start, mailbox, letters
):
    out = channel(start(mailbox))
    await out.send(letters.notification())
    await out.send(letters.notification(about=About.RESOLVED))
    first, second = mailbox.mails
    assert first["Message-ID"] == "<step-uncovered-0123@contactd.example>"
    assert second["Message-ID"] == "<step-uncovered-0123.resolved@contactd.example>"
    assert second["References"] == second["In-Reply-To"] == first["Message-ID"]
    assert second["Subject"].startswith("resolved: WARNING")


async def test_tls_from_the_first_byte(start, mailbox, certified, trusting, letters):
    port = start(mailbox, ssl_context=certified)
    await channel(port, host="localhost", security="tls", context=trusting).send(
        letters.notification()
    )
    assert len(mailbox.mails) == 1


async def test_starttls_with_a_password(start, mailbox, certified, trusting, letters):
    port = start(mailbox, starttls=certified, login=True)
    out = channel(
        port, host="localhost", security="starttls", context=trusting, user="watch",
        password="secret",
    )  # fmt: skip
    await out.send(letters.notification())
    assert len(mailbox.mails) == 1


async def test_a_wrong_password_is_not_tried_again_and_not_shown(
    start, mailbox, certified, trusting, letters
):
    port = start(mailbox, starttls=certified, login=True)
    out = channel(
        port, host="localhost", security="starttls", context=trusting, user="watch",
        password="guessed",
    )  # fmt: skip
    with pytest.raises(DeliveryError, match="535") as caught:
        await out.send(letters.notification())
    assert not caught.value.worth_retrying
    assert "guessed" not in str(caught.value)


@pytest.mark.parametrize("security", ["tls", "starttls"])
async def test_a_server_with_a_certificate_of_a_stranger_gets_no_mail(
    start, mailbox, certified, letters, security
):
    kind = {"tls": "ssl_context", "starttls": "starttls"}[security]
    port = start(mailbox, **{kind: certified})
    with pytest.raises(DeliveryError, match=r"(?i)certificate"):
        await channel(port, host="localhost", security=security).send(letters.notification())
    assert not mailbox.mails


async def test_a_server_without_tls_gets_no_mail_where_tls_is_asked_for(start, mailbox, letters):
    with pytest.raises(DeliveryError):
        await channel(start(mailbox), security="starttls").send(letters.notification())
    assert not mailbox.mails


@pytest.mark.parametrize(
    ("answer", "again"),
    [("451 try later", True), ("452 no room", True), ("550 no", False), ("554 spam", False)],
)
async def test_the_first_digit_of_the_answer_says_whether_to_try_again(
    start, mailbox, letters, answer, again
):
    # Source: RFC 5321 section 4.2.1.
    mailbox.answer = answer
    with pytest.raises(DeliveryError, match=answer) as caught:
        await channel(start(mailbox)).send(letters.notification())
    assert caught.value.worth_retrying is again


async def test_when_all_recipients_are_refused_nobody_got_it(start, mailbox, letters):
    mailbox.refused = dict.fromkeys(RECIPIENTS, "550 no such user")
    with pytest.raises(DeliveryError, match="no such user") as caught:
        await channel(start(mailbox)).send(letters.notification())
    assert not caught.value.worth_retrying


@pytest.mark.parametrize(("answer", "again"), [("450 come back", True), ("550 no user", False)])
async def test_when_one_recipient_is_refused_the_others_get_it_once(
    start, mailbox, letters, answer, again
):
    mailbox.refused = {RECIPIENTS[0]: answer}
    mail = channel(start(mailbox))
    for _ in range(2):
        with pytest.raises(DeliveryError, match=f"{RECIPIENTS[0]}: {answer[:3]}") as caught:
            await mail.send(letters.notification())
        assert caught.value.worth_retrying is again
    assert mailbox.recipients == [[RECIPIENTS[1]]]
    mailbox.refused = {}
    await mail.send(letters.notification())
    assert mailbox.recipients == [[RECIPIENTS[1]], [RECIPIENTS[0]]]


async def test_nobody_at_home_is_worth_another_try(letters):
    with pytest.raises(DeliveryError) as caught:
        await channel(free_port()).send(letters.notification())
    assert caught.value.worth_retrying


@pytest.mark.parametrize(
    "address", ["nobody", "a@", "@b", "", "a@b\r\nBcc: c@d", "a b@c", "ä@contactd.example"]
)
def test_what_is_no_address_is_refused_when_the_channel_is_made(address):
    with pytest.raises(InputError, match="e-mail address"):
        channel(25, recipients=(address,))


async def test_text_beyond_ascii_arrives_as_written(start, mailbox, letters):
    alert = replace(letters.alert, what="Lantern 3 über Malmö ± 3 s, 43°.")
    await channel(start(mailbox)).send(letters.notification(alert))
    assert "Lantern 3 über Malmö ± 3 s, 43°." in mailbox.mails[0].get_content()
    assert mailbox.mails[0]["Subject"] == "WARNING Lantern 3 über Malmö ± 3 s, 43°."
