"""A cable between a service and a server, which can be cut: a TCP proxy on loopback.

While it is cut nothing passes in either direction and neither end is told, as when a switch dies:
connections stay open, new ones are made and lead nowhere. What was under way arrives when the cable
is mended, as TCP's repetitions would.
"""

from __future__ import annotations

import contextlib
import signal
import socket
import sys
import threading

PART = 65_536


class Cable:
    """From a port of its own to the port of a server on loopback."""

    def __init__(self, server_port: int, host: str = "127.0.0.1", port: int = 0) -> None:
        self._server_port = server_port
        self._whole = threading.Event()
        self._whole.set()
        self._gone = False
        self._ends: list[socket.socket] = []
        self._listener = socket.create_server((host, port))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Nothing passes from now on."""
        self._whole.clear()

    def mend(self) -> None:
        """Everything passes again."""
        self._whole.set()

    def remove(self) -> None:
        """Take it away for good."""
        self._gone = True
        self._whole.set()
        for end in (self._listener, *self._ends):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def _accept(self) -> None:
        while not self._gone:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            self._ends.append(near)
            threading.Thread(target=self._connect, args=(near,), daemon=True).start()

    def _connect(self, near: socket.socket) -> None:
        self._whole.wait()
        try:
            far = socket.create_connection(("127.0.0.1", self._server_port))
        except OSError:
            near.close()
            return
        self._ends.append(far)
        for one, other in ((near, far), (far, near)):
            threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while part := one.recv(PART):
                self._whole.wait()
                other.sendall(part)
        self._whole.wait()
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


if __name__ == "__main__":
    # cable.py SERVER-PORT HOST PORT: for namespaces other than the test's own.
    Cable(int(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
    signal.pause()
