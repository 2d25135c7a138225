"""What happens to the service, as events in one queue.

Only the watch changes the service's state, and only by taking events from here, one at a time in
the order in which they came. So nothing needs a lock, and what follows from an event can be tested
without a loop, a thread or a clock that runs.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from contactd.core.allocation.result import Allocation
from contactd.core.change import ElementsChange
from contactd.core.planning import Prediction, Target
from contactd.core.record import Record
from contactd.service.allocation_job import SharingJob
from contactd.service.files import Loaded

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Look:
    """It is time to look at the clocks, and whether a tick can find anything."""


@dataclass(frozen=True, slots=True)
class Tick:
    """It is time to see what is due."""


@dataclass(frozen=True, slots=True)
class Show:
    """What the last tick found is in the ledger, or has waited long enough: show and send it."""


@dataclass(frozen=True, slots=True)
class Learned:
    """The ledger was read, or has said why it cannot be.

    Attributes:
        news: records that are new in it, oldest first.
    """

    news: Sequence[Record] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """Records of what a part of the service did or found; they count at once."""

    records: Sequence[Record]


@dataclass(frozen=True, slots=True)
class Predicted:
    """A target's prediction is there.

    Attributes:
        span: what was asked for (start, end), instants (s).
        change: what it changes that the prediction rests on something else; None if nothing.
    """

    target: Target
    span: Span
    prediction: Prediction
    change: ElementsChange | None = None


@dataclass(frozen=True, slots=True)
class Shared:
    """Station time was shared, or could not be.

    Attributes:
        made: None if it could not be; ``problem`` says why.
        took_s: how long it took.
    """

    job: SharingJob
    made: Allocation | None
    problem: str = ""
    took_s: float = 0.0


@dataclass(frozen=True, slots=True)
class FilesRead:
    """The configuration's files were read.

    Attributes:
        targets: the configuration's, with the elements that feeds brought.
    """

    loaded: Loaded
    targets: Mapping[str, Target] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Fed:
    """Targets have other elements, from their feeds.

    Attributes:
        records: of what was fetched.
    """

    targets: Mapping[str, Target]
    records: Sequence[Record] = ()


@dataclass(frozen=True, slots=True)
class Lead:
    """From now on this service records, raises and sends.

    Attributes:
        facts: what the record of its start says beside the configuration.
    """

    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Follow:
    """From now on another service records, raises and sends."""


@dataclass(frozen=True, slots=True)
class Stop:
    """The service ends; nothing comes after this."""


Event = (
    Look
    | Tick
    | Show
    | Learned
    | Found
    | Predicted
    | Shared
    | FilesRead
    | Fed
    | Lead
    | Follow
    | Stop
)


class Queue:
    """The events that wait to be taken. For the event loop's thread alone.

    Args:
        take: takes one event; what it posts itself is taken after it.
    """

    def __init__(self, take: Callable[[Event], None]) -> None:
        self._take = take
        self._waiting: deque[Event] = deque()
        self._is_taking = False

    def post(self, event: Event) -> None:
        """Have an event taken, at once unless another one is being taken.

        Raises:
            Exception: whatever taking it raises; the events after it are taken all the same.
        """
        self._waiting.append(event)
        if self._is_taking:
            return
        self._is_taking = True
        failure: Exception | None = None
        try:
            while self._waiting:
                try:
                    self._take(self._waiting.popleft())
                except Exception as error:  # noqa: BLE001 - raised below, after the others
                    failure = failure or error
        finally:
            self._is_taking = False
        if failure is not None:
            raise failure
