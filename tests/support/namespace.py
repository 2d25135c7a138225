"""A network namespace with one link to the outside, which can be made to swallow what is sent.

Needs root and the rights that go with it; a test that cannot have one is skipped.
"""

from __future__ import annotations

import os
import shutil
import subprocess

import pytest

SWALLOWED = "02:00:00:00:00:99"
"""A hardware address that nobody has: what is sent to it is lost without a word."""


class Namespace:
    """Its inside has ``inside``; the outside has two addresses there, ``ledger`` and ``desk``."""

    inside, ledger, desk = "10.213.77.2", "10.213.77.1", "10.213.77.3"

    def __init__(self) -> None:
        if shutil.which("ip") is None:
            pytest.skip("there is no program ip on this machine")
        self.name = f"contactd{os.getpid()}"
        self._link = f"cd{os.getpid()}"
        try:
            self._ip("netns", "add", self.name)
            self._ip("link", "add", self._link, "type", "veth",
                     "peer", "name", "out", "netns", self.name)  # fmt: skip
            for address in (self.desk, self.ledger):  # the first is who asks from outside
                self._ip("addr", "add", f"{address}/29", "dev", self._link)
            self._ip("link", "set", self._link, "up")
            self._ip("-n", self.name, "addr", "add", f"{self.inside}/29", "dev", "out")
            for link in ("out", "lo"):
                self._ip("-n", self.name, "link", "set", link, "up")
        except subprocess.CalledProcessError as error:
            self.remove()
            pytest.skip(f"no network namespace can be had here: {error.stderr.strip()}")

    def cut_off_ledger(self) -> None:
        """Whatever is sent to the ledger disappears; the desk is reached as before."""
        self._ip("-n", self.name, "neigh", "replace", self.ledger, "lladdr", SWALLOWED,
                 "dev", "out", "nud", "permanent")  # fmt: skip

    def mend(self) -> None:
        """All is as before."""
        self._ip("-n", self.name, "neigh", "del", self.ledger, "dev", "out")

    def within(self, command: list[str]) -> list[str]:
        """A command, to be run inside."""
        return ["ip", "netns", "exec", self.name, *command]

    def remove(self) -> None:
        """Take it away, and its link with it."""
        # The link first: the kernel takes its time over a namespace, and over what is in it.
        for what in (["link", "del", self._link], ["netns", "del", self.name]):
            subprocess.run(["ip", *what], capture_output=True, check=False)

    @staticmethod
    def _ip(*arguments: str) -> None:
        subprocess.run(["ip", *arguments], capture_output=True, text=True, check=True)
