"""What the kernel says of its clock's synchronisation, by adjtimex(2).

Whoever disciplines the clock (chrony, ntpd, systemd-timesyncd, PTP) tells the kernel, so that this
one call answers for all of them.

Source: Linux manual page adjtimex(2): STA_UNSYNC, STA_CLOCKERR, TIME_ERROR, maxerror in µs.
"""

from __future__ import annotations

import ctypes
import sys
from dataclasses import dataclass

STA_UNSYNC = 0x0040
TIME_ERROR = 5
MICROSECONDS = 1e-6


class _Timex(ctypes.Structure):
    """``struct timex`` of 64-bit Linux; only what is read has a name of its own."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("frequency", ctypes.c_long),
        ("most_error_us", ctypes.c_long),
        ("estimated_error_us", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 24),
    )


@dataclass(frozen=True, slots=True)
class Synchronisation:
    """Whether the clock is disciplined, and how far off it is at most by the kernel's account.

    Attributes:
        error_bound_s: grows while nobody disciplines the clock; meaningless once unsynchronised.
    """

    synchronised: bool
    error_bound_s: float


def synchronisation() -> Synchronisation | None:
    """The kernel's answer; None where it cannot be asked (another system, a sandbox)."""
    if not sys.platform.startswith("linux") or ctypes.sizeof(ctypes.c_long) != 8:
        return None
    asked = _Timex()
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return None
    if state < 0:
        return None
    good = state != TIME_ERROR and not asked.status & STA_UNSYNC
    return Synchronisation(good, asked.most_error_us * MICROSECONDS)
