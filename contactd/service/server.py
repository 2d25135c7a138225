"""The HTTP server, in the daemon's own event loop."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from contactd.core.errors import ContactdError

if TYPE_CHECKING:
    from starlette.types import ASGIApp

BACKLOG = 128
FIRST_HANDED_OVER = 3


def handed_over(environment: Mapping[str, str]) -> socket.socket | None:
    """The listening socket that the service manager hands over, if it does.

    With it, nobody who asks while the service restarts is refused: they wait.

    Source: systemd's manual page sd_listen_fds(3): LISTEN_PID names the process that is meant,
    LISTEN_FDS counts the descriptors, which begin at 3.
    """
    meant = environment.get("LISTEN_PID") == str(os.getpid())
    if not meant or environment.get("LISTEN_FDS", "0") == "0":
        return None
    return socket.socket(fileno=FIRST_HANDED_OVER)


def listen(host: str, port: int) -> socket.socket:
    """A listening socket, so that a port in use is told before anything else starts.

    Raises:
        ContactdError: if the address cannot be had; the message says what to do.
    """
    try:
        return socket.create_server((host, port), backlog=BACKLOG, family=_family(host))
    except OSError as error:
        raise ContactdError(
            f"cannot listen on {host} port {port}: {error.strerror or error}; "
            f"stop what uses it, or set http: {{port: …}} in contactd.yaml"
        ) from None


def _family(host: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in host else socket.AF_INET


class HttpServer:
    """Serves an application on a socket until told to stop."""

    def __init__(self, app: ASGIApp, listener: socket.socket) -> None:
        import uvicorn

        from contactd.service.connections import protocol

        class Quiet(uvicorn.Server):
            """Leaves signals to the daemon."""

            @contextlib.contextmanager
            def capture_signals(self) -> Iterator[None]:
                yield

        self._server = Quiet(
            uvicorn.Config(
                app,
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                timeout_graceful_shutdown=3,
                http=protocol(),
            )
        )
        self._listener = listener

    async def serve(self) -> None:
        """Serve until :meth:`stop`."""
        await self._server.serve(sockets=[self._listener])

    def stop(self) -> None:
        """Ask the server to finish."""
        self._server.should_exit = True
