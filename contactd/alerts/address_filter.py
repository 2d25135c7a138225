"""Which addresses may be connected to for a configured URL.

A URL in a configuration file may lead, by mistake or by a name that somebody else controls, to the
machine itself or into its network. Where that is not wanted a guard refuses all addresses that are
not publicly routed. The name is resolved once and the connection goes to the address that was
checked, so that a second answer of the name server changes nothing.

Sources: the IANA registries of special-purpose addresses, as the standard library's ``ipaddress``
has them; RFC 4291 section 2.5.5.2, RFC 3056 and RFC 4380 for IPv4 addresses inside IPv6 ones,
RFC 6052 for 64:ff9b::/96.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from dataclasses import dataclass
from typing import TYPE_CHECKING

from contactd.core.errors import ContactdError

if TYPE_CHECKING:
    import ssl

    import httpx

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
_TRANSLATED = ipaddress.ip_network("64:ff9b::/96")


class AddressRefused(ContactdError):
    """An address that must not be connected to."""

    code = "address"


@dataclass(frozen=True, slots=True)
class Guard:
    """What may be connected to.

    Attributes:
        public_only: refuse the machine itself, its network and all that is not publicly routed.
        allowed_hosts: names or addresses that are let through all the same.
    """

    public_only: bool = False
    allowed_hosts: frozenset[str] = frozenset()

    def refuses(self, host: str, address: str) -> bool:
        """Whether a connection to an address of a host is refused."""
        if not self.public_only or host in self.allowed_hosts or address in self.allowed_hosts:
            return False
        return not is_public(ipaddress.ip_address(address.partition("%")[0]))

    async def addresses(self, host: str, port: int) -> list[str]:
        """The addresses of a host that may be connected to.

        Raises:
            AddressRefused: if none of them may be.
            OSError: if the name cannot be resolved.
        """
        loop = asyncio.get_running_loop()
        found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        addresses = list(dict.fromkeys(str(each[4][0]) for each in found))
        allowed = [address for address in addresses if not self.refuses(host, address)]
        if not allowed:
            shown = ", ".join(addresses[:3])
            raise AddressRefused(
                f"{host} leads to {shown}, which is not a public address; if that is meant, "
                "allow it in the configuration"
            )
        return allowed


def is_public(address: Address) -> bool:
    """Whether an address is publicly routed, and so is any IPv4 address inside it."""
    if isinstance(address, ipaddress.IPv6Address):
        inside = address.ipv4_mapped or address.sixtofour
        if inside is None and address.teredo is not None:
            inside = address.teredo[1]
        if inside is None and address in _TRANSLATED:
            inside = ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
        if inside is not None:
            return is_public(inside)
    return address.is_global and not address.is_multicast


def guarded_transport(
    guard: Guard, verify: ssl.SSLContext | bool = True
) -> httpx.AsyncHTTPTransport:
    """A transport for httpx that connects only to addresses that the guard lets through."""
    import httpx

    class GuardedTransport(httpx.AsyncHTTPTransport):
        async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
            host = request.url.host
            port = request.url.port or (443 if request.url.scheme == "https" else 80)
            try:
                addresses = await guard.addresses(host, port)
            except OSError as error:
                raise httpx.ConnectError(f"{host} cannot be resolved: {error}") from error
            # Names are verified as written: by SNI and the certificate, and by the Host header.
            extensions = {**request.extensions, "sni_hostname": host}
            for last, address in enumerate(addresses, 1):
                aimed = httpx.Request(
                    request.method,
                    request.url.copy_with(host=address),
                    headers=request.headers,
                    stream=request.stream,
                    extensions=extensions,
                )
                try:
                    return await super().handle_async_request(aimed)
                except httpx.ConnectError:
                    if last == len(addresses):
                        raise
            raise AssertionError("the last address returns or raises")

    return GuardedTransport(verify=verify)
