"""Messages to the service manager, by the datagram protocol of sd_notify(3).

Source: systemd's manual page sd_notify(3): newline-separated assignments sent as one datagram to
the Unix socket named by NOTIFY_SOCKET; a leading ``@`` names the abstract namespace.
"""

from __future__ import annotations

import socket
from collections.abc import Mapping


class ServiceManager:
    """Tells the service manager how the service is; silent where there is none."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        watchdog_us = environment.get("WATCHDOG_USEC", "")
        self.watchdog_s = int(watchdog_us) / 1e6 if watchdog_us.isdigit() else None

    def tell(self, *assignments: str) -> None:
        """Send assignments such as ``READY=1``; a manager that does not listen is no error."""
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.settimeout(1.0)
                out.sendto("\n".join(assignments).encode(), self._address)
        except OSError:
            return
