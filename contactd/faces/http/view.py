"""What the HTTP face may see of the service, and the little it may ask of it.

The face reads one immutable snapshot. Beyond that it asks for what a snapshot does not hold: the
configured target behind an outlook, its motion, the ledger's records, the state as it was known
earlier, and the state as it would be with records that are not written yet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from contactd.core.orbit.track import Track
from contactd.core.outlook import Health, Snapshot
from contactd.core.planning import Prediction, Target
from contactd.core.record import Record
from contactd.core.sequences.known import SequenceKnowledge
from contactd.mission.actions import Standing
from contactd.mission.documents.spans import SHOWN_WITHIN_S


@dataclass(frozen=True, slots=True)
class RecordFilter:
    """Which records are wanted; what is left out does not narrow.

    Attributes:
        kinds: any of these kinds.
        subject: exactly this subject, or what is below it: ``Lantern 3`` also finds
            ``Lantern 3/wake-up``.
        author: exactly this author.
        since, until: recorded at or after, before (instants, s).
        known_at: only what had been recorded by then (instant, s).
        before, after: only numbers below, above this one; for paging.
    """

    kinds: frozenset[str] = frozenset()
    subject: str = ""
    author: str = ""
    since: float | None = None
    until: float | None = None
    known_at: float | None = None
    before: int | None = None
    after: int | None = None

    def holds(self, record: Record) -> bool:
        """Whether a record is wanted."""
        subject = self.subject
        if self.kinds and record.kind not in self.kinds:
            return False
        if subject and record.subject != subject and not record.subject.startswith(subject + "/"):
            return False
        if self.author and record.author != self.author:
            return False
        if self.since is not None and record.at < self.since - SHOWN_WITHIN_S:
            return False
        if self.until is not None and record.at >= self.until:
            return False
        if self.known_at is not None and record.at > self.known_at:
            return False
        if self.before is not None and record.number >= self.before:
            return False
        return self.after is None or record.number > self.after


class View(Protocol):
    """What the HTTP face may see of the service.

    Methods that are not ``async`` may be called from any thread, several at a time, and must not
    block the service: what they read is immutable, or read from the ledger by itself.
    """

    def now(self) -> float:
        """The service's present (instant, s), simulated or real."""
        ...

    def snapshot(self) -> Snapshot:
        """The latest snapshot.

        Parts that did not change between two snapshots are the same objects in both: the face
        keeps what it made of them.
        """
        ...

    def health(self) -> Health:
        """Whether the service lives and can be relied on, at this moment."""
        ...

    def metrics(self) -> bytes:
        """The metrics in the text exposition format."""
        ...

    def notice(self) -> str:
        """A sentence that every screen must show, such as that this is a rehearsal; else ""."""
        ...

    def has_begun(self) -> bool:
        """Whether the ledger has been read and the first beat made; before it nothing is known."""
        ...

    def targets(self) -> Mapping[str, Target]:
        """The targets as configured, with the elements that are in force, by name."""
        ...

    def target(self, name: str) -> Target:
        """The target as configured, with the elements that are in force.

        Raises:
            KeyError: if there is none of that name.
        """
        ...

    def knowledge(self, target: str, sequence: str) -> SequenceKnowledge:
        """What the records say of a sequence; empty where they say nothing.

        Raises:
            KeyError: if there is no such sequence.
        """
        ...

    def missed(self, target: str) -> Sequence[Record]:
        """Records of the target's contacts that were missed, oldest first."""
        ...

    def observations(self, target: str) -> Sequence[Record]:
        """Records of what stations observed of the target's motion, oldest first."""
        ...

    def adopts_corrections(self) -> bool:
        """Whether what observations teach is adopted with each of them."""
        ...

    def prediction(self, target: str) -> Prediction:
        """The prediction that the target's outlook rests on, with the conditions of its steps.

        Raises:
            KeyError: if there is no such target, or no prediction of it yet.
        """
        ...

    def track(self, target: str) -> Track:
        """The target's motion, from the elements that predictions rest on.

        Raises:
            KeyError: if there is none of that name.
            PropagationError: if it has no elements, or none that can be propagated.
        """
        ...

    def records(self, wanted: RecordFilter, limit: int) -> Sequence[Record]:
        """The newest records that are wanted, newest first, at most ``limit`` of them.

        With ``wanted.after`` the oldest ones after that number are given, oldest first.

        Raises:
            LedgerError: if the ledger cannot be read.
        """
        ...

    def known_at(self, instant: float) -> Snapshot:
        """The snapshot as it was, or would have been, with what had been recorded by an instant.

        Its ``at`` is that instant and its ``ledger_at`` the last record that counts.

        Raises:
            LedgerError: if the ledger cannot be read.
        """
        ...

    def suppose(self, records: Sequence[Record]) -> Snapshot:
        """The present snapshot as it would be with these records too; nothing is written.

        Forecasts are made anew from what is known at this moment, also with no record given.
        """
        ...

    def standing(self) -> Standing:
        """Alerts, silences and undelivered messages as they stand now."""
        ...

    async def commit(self, records: Sequence[Record]) -> Sequence[Record]:
        """Write records, all or none, replan, and return them numbered.

        On return :meth:`suppose` knows them, and :meth:`snapshot` as soon as every prediction that
        they ask for is made.

        Raises:
            LedgerError: if they cannot be written; then nothing was.
        """
        ...
