"""What the HTTP face may do with the time of a rehearsal."""

from __future__ import annotations

from typing import Any, Protocol


class Steering(Protocol):
    """The time of a live rehearsal; called from the service's event loop.

    Each change is told with the name of whoever made it.
    """

    def state(self) -> dict[str, Any]:
        """``title, after_s, lasts_s, next_event_s, speed, paused``."""
        ...

    def pause(self, who: str) -> None:
        """Let time stand still."""
        ...

    def resume(self, who: str) -> None:
        """Let time go on, as fast as before."""
        ...

    def set_speed(self, speed: float, who: str) -> None:
        """Let time go so many times as fast as the clock on the wall."""
        ...

    def jump(self, seconds: float, who: str) -> float:
        """Let time pass at once, no further than to what happens next; the seconds jumped."""
        ...
