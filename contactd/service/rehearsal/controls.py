"""Steering a live rehearsal: pause, go on, another speed, a jump ahead.

Only the rehearsal's own clock is touched. What was done stands in its report.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from contactd.service.paced_clock import PacedClock

SLOWEST, FASTEST = 0.01, 10_000.0


class Controls:
    """What somebody may do with the time of a rehearsal. To be called from its event loop.

    Args:
        title: of the script.
        lasts_s: seconds that the script lasts.
        happens_s: when something happens in it, seconds after its beginning.
        tell: told what was done, at how many seconds after the beginning.
    """

    def __init__(
        self,
        clock: PacedClock,
        title: str,
        lasts_s: float,
        happens_s: Sequence[float],
        tell: Callable[[float, str], None],
    ) -> None:
        self._clock = clock
        self._title = title
        self._lasts_s = lasts_s
        self._happens_s = sorted(happens_s)
        self._tell = tell

    def state(self) -> dict[str, Any]:
        """The script's title, how far it has come, and how time goes."""
        after_s = self._clock.boottime()
        following = self._next_s(after_s)
        return {
            "title": self._title,
            "after_s": round(after_s, 3),
            "lasts_s": self._lasts_s,
            "next_event_s": None if following >= self._lasts_s else following,
            "speed": self._clock.pace,
            "paused": self._clock.speed == 0,
        }

    def pause(self, who: str) -> None:
        """Let time stand still."""
        if self._clock.speed:
            self._clock.go(0.0)
            self._done(who, "paused it")

    def resume(self, who: str) -> None:
        """Let time go on, as fast as before."""
        if not self._clock.speed:
            self._clock.go(self._clock.pace)
            self._done(who, "let it go on")

    def set_speed(self, speed: float, who: str) -> None:
        """Let time go so many times as fast as the clock on the wall; a pause stays one."""
        speed = min(max(speed, SLOWEST), FASTEST)
        if self._clock.speed:
            self._clock.go(speed)
        else:
            self._clock.pace = speed
        self._done(who, f"let it run {speed:g} times as fast")

    def jump(self, seconds: float, who: str) -> float:
        """Let time pass at once, but no further than to what happens next.

        Returns:
            The seconds that were jumped.
        """
        after_s = self._clock.boottime()
        jumped_s = min(max(seconds, 0.0), max(self._next_s(after_s) - after_s, 0.0))
        if jumped_s > 0:
            self._clock.jump(jumped_s)
            self._done(who, f"jumped {jumped_s:.0f} s ahead")
        return jumped_s

    def _next_s(self, after_s: float) -> float:
        """When the next thing happens, or it ends."""
        ahead = [each for each in self._happens_s if each > after_s]
        return min([*ahead, self._lasts_s])

    def _done(self, who: str, what: str) -> None:
        self._tell(self._clock.boottime(), f"{who} {what}")
