"""Who is asking, and whether they may: tokens, sessions of the page, and requests from elsewhere.

Reading from the machine itself needs no token unless configured so; from anywhere else it needs
one. Scrapers of the metrics may be let in by network. Changing anything needs an operator's token
everywhere. A program sends its token as ``Authorization: Bearer``. The page exchanges it for a
session: a cookie that scripts cannot read (``HttpOnly``) and other sites cannot send
(``SameSite=Strict``), and a second secret that each change must repeat in a header, which a page of
another site cannot know.

A page of another site that points its own host name here (DNS rebinding) is refused by that name,
whatever it asks for. Wrong tokens are counted by caller: whoever guesses shuts out nobody else, and
a valid token is never refused.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from fastapi import Request

from contactd.alerts.acknowledgement_tokens import Tickets
from contactd.faces.http.problems import Problem
from contactd.faces.tokens import Role, Token, digest_of, find

COOKIE = "contactd_session"
CSRF_HEADER = "X-Contactd-Csrf"
SESSION_S = 12 * 3600.0
MOST_SESSIONS = 128
MOST_FAILURES = 10
FAILURES_WITHIN_S = 60.0
MOST_GUESSERS = 1_024
"""Callers whose wrong tokens are counted; with more, the longest ago is forgotten."""
IPV6_CALLER_BITS = 64
"""Leading bits of an IPv6 address that one caller has (RFC 4291, 2.5.4: the subnet's prefix)."""

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


@dataclass(frozen=True, slots=True)
class AccessRules:
    """Who may do what.

    Attributes:
        tokens: the tokens there are; without an operator's among them nothing can be changed.
        reading_needs_token: also for requests from the machine itself.
        hosts: names, beside ``localhost`` and literal addresses, that the service answers for.
        metrics_need_token: the same for the metrics; None: as for reading.
        metrics_networks: whose machines read the metrics without a token.
        tickets: reads the links in messages; None where none are sent.
    """

    tokens: tuple[Token, ...] = ()
    reading_needs_token: bool = False
    hosts: frozenset[str] = frozenset()
    metrics_need_token: bool | None = None
    metrics_networks: tuple[Network, ...] = ()
    tickets: Tickets | None = None


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks: a token's name and role; a reader on the machine itself has neither."""

    name: str = ""
    role: Role | None = None
    csrf: str = ""

    @property
    def operates(self) -> bool:
        """Whether the caller may change anything."""
        return self.role is Role.OPERATOR


@dataclass(frozen=True, slots=True)
class _Session:
    token: Token
    csrf: str
    until: float


@dataclass
class Access:
    """Knows the callers.

    Attributes:
        current_rules: the rules at this moment; they may change while the service runs.
    """

    current_rules: Callable[[], AccessRules] = AccessRules
    monotonic: Callable[[], float] = time.monotonic
    _sessions: OrderedDict[str, _Session] = field(default_factory=OrderedDict)
    _failures: OrderedDict[str, deque[float]] = field(default_factory=OrderedDict)

    @property
    def rules(self) -> AccessRules:
        """The rules at this moment."""
        return self.current_rules()

    def reader(self, request: Request) -> Caller:
        """The caller of a request that reads.

        Raises:
            Problem: 401 without a valid token where one is needed.
        """
        caller = self._caller(request)
        local = _address(request).is_loopback
        if caller.role is None and (self.rules.reading_needs_token or not local):
            raise _token_needed("reading")
        return caller

    def scraper(self, request: Request) -> Caller:
        """The caller of a request for the metrics.

        Raises:
            Problem: 401 without a valid token where one is needed.
        """
        caller, rules, address = self._caller(request), self.rules, _address(request)
        if caller.role or any(address in network for network in rules.metrics_networks):
            return caller
        needed = rules.metrics_need_token
        needed = rules.reading_needs_token if needed is None else needed
        if needed or not address.is_loopback:
            raise _token_needed("reading the metrics")
        return caller

    def operator(self, request: Request) -> Caller:
        """The caller of a request that changes something.

        Raises:
            Problem: 401 without a token, 403 without the role, or when the page did not send it.
        """
        caller = self.reader(request)
        if not caller.role:
            raise Problem(
                401,
                "token-needed",
                "changing anything needs an operator's token"
                if any(token.role is Role.OPERATOR for token in self.rules.tokens)
                else "changing anything needs an operator's token, and none has been set up",
                {"WWW-Authenticate": "Bearer"},
            )
        if not caller.operates:
            raise Problem(403, "role-needed", f"{caller.name} has the viewer role: it reads only")
        if caller.csrf:
            self._check_csrf(request, caller)
        return caller

    def open(self, request: Request, secret: str) -> tuple[str, Caller]:
        """Open a session for a token's secret; the cookie's value, and who it is.

        Raises:
            Problem: 401 for an unknown secret, 429 after too many of them.
        """
        token = self._token(request, secret)
        for key in [key for key, each in self._sessions.items() if each.until < self.monotonic()]:
            del self._sessions[key]
        while len(self._sessions) >= MOST_SESSIONS:
            self._sessions.popitem(last=False)
        cookie, csrf = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
        self._sessions[digest_of(cookie)] = _Session(token, csrf, self.monotonic() + SESSION_S)
        return cookie, Caller(token.name, token.role, csrf)

    def close(self, request: Request) -> None:
        """End the session of the request, if it has one."""
        self._sessions.pop(digest_of(request.cookies.get(COOKIE, "")), None)

    def _caller(self, request: Request) -> Caller:
        scheme, _, secret = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer" and secret:
            token = self._token(request, secret.strip())
            return Caller(token.name, token.role)
        session = self._sessions.get(digest_of(request.cookies.get(COOKIE, "")))
        if session is None or session.until < self.monotonic():
            return Caller()
        if session.token not in self.rules.tokens:
            return Caller()
        return Caller(session.token.name, session.token.role, session.csrf)

    def _token(self, request: Request, secret: str) -> Token:
        token = find(self.rules.tokens, secret)
        if token is not None:
            return token
        now, failures = self.monotonic(), self._failures_of(request)
        if sum(now - each < FAILURES_WITHIN_S for each in failures) >= MOST_FAILURES:
            raise Problem(
                429,
                "too-many",
                f"too many unknown tokens: wait {FAILURES_WITHIN_S:.0f} s",
                {"Retry-After": f"{FAILURES_WITHIN_S:.0f}"},
            )
        failures.append(now)
        raise Problem(
            401, "token-needed", "the token is not known here", {"WWW-Authenticate": "Bearer"}
        )

    def _failures_of(self, request: Request) -> deque[float]:
        address = _address(request)
        bits = IPV6_CALLER_BITS if address.version == 6 else address.max_prefixlen
        caller = str(ipaddress.ip_network((address, bits), strict=False))
        failures = self._failures.pop(caller, None) or deque(maxlen=MOST_FAILURES)
        self._failures[caller] = failures
        while len(self._failures) > MOST_GUESSERS:
            self._failures.popitem(last=False)
        return failures

    def check_host(self, name: str) -> None:
        """See that the service answers for a host name.

        Raises:
            Problem: 421 for a foreign one.
        """
        if name == "localhost" or name in self.rules.hosts or _is_address(name):
            return
        raise Problem(
            421,
            "wrong-host",
            f"found host name {name!r}; expected an address, localhost or a configured name",
        )

    def _check_csrf(self, request: Request, caller: Caller) -> None:
        site = request.headers.get("sec-fetch-site", "same-origin")
        sent = request.headers.get(CSRF_HEADER, "")
        if site != "same-origin" or not hmac.compare_digest(sent.encode(), caller.csrf.encode()):
            raise Problem(
                403, "csrf", f"a change with the page's cookie must carry {CSRF_HEADER}: reload it"
            )


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _address(request: Request) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """Where a request comes from; an address of nobody where that is not known."""
    host = request.client.host if request.client else ""
    address = ipaddress.ip_address(host) if _is_address(host) else ipaddress.IPv4Address(0)
    mapped = address.ipv4_mapped if address.version == 6 else None
    return mapped or address


def networks(texts: Iterable[str]) -> tuple[Network, ...]:
    """The networks that texts such as ``192.0.2.0/24`` name.

    Raises:
        ValueError: for a text that is none.
    """
    return tuple(ipaddress.ip_network(text) for text in texts)


def _token_needed(what: str) -> Problem:
    return Problem(
        401,
        "token-needed",
        f"{what} needs a token here: sign in on the page, or send Authorization: Bearer",
        {"WWW-Authenticate": "Bearer"},
    )
