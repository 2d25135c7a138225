"""Which definitions are in force: of each target and station, and of each run that began.

A target's or station's file, as it was adopted, is a record (``definition-adopted``), with the text
itself. What runs aboard is what its file said when the run began: a later file does not change it,
until somebody confirms that it does (``definition-confirmed``) or says that nothing is there any
more (``retired``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.core.sequences.knowledge import parts_of
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import StartStatus

SequenceKey = tuple[str, str]
ThingKey = tuple[str, str]
TARGET, STATION = "target", "station"
CONCERNS_DEFINITIONS = frozenset(
    {kinds.DEFINITION_ADOPTED, kinds.DEFINITION_CONFIRMED, kinds.RETIRED}
)
_MAY_RUN = (StartStatus.OBSERVED.value, StartStatus.IN_DOUBT.value)


@dataclass(frozen=True, slots=True)
class Definitions:
    """The definitions that count.

    Attributes:
        adopted: the record that adopted the latest of each thing, by (``target`` or ``station``,
            name).
        aboard: the record that was in force when its present run began, by (target, sequence).
        retired: what was said to be there no longer, as records name it, and was not adopted since.
    """

    adopted: Mapping[ThingKey, Record] = field(default_factory=dict)
    aboard: Mapping[SequenceKey, Record] = field(default_factory=dict)
    retired: frozenset[str] = frozenset()

    def learn(
        self, record: Record, sequences: Mapping[SequenceKey, SequenceKnowledge]
    ) -> Definitions:
        """After one more record about them; one that cannot be read changes nothing."""
        if record.kind == kinds.DEFINITION_ADOPTED:
            return self._adopted(record, sequences)
        target, sequence, _ = parts_of(record.subject)
        if record.kind == kinds.RETIRED:
            return replace(self, retired=self.retired | {record.subject})
        return self._confirmed(target, sequence)

    def began(
        self, key: SequenceKey, before: SequenceKnowledge, after: SequenceKnowledge
    ) -> Definitions:
        """After a record about a sequence, which may have begun a run."""
        if not _runs(after) or _runs(before):
            return self._planned_anew(key, after)
        definition = self.adopted.get((TARGET, key[0]))
        if definition is None or key[1] not in _sequences(definition):
            return self
        present = self.aboard.get(key)
        if before.start is None and present is not None and _filed_run(present, key[1]):
            return self  # the file has told of this run already
        return Definitions(self.adopted, {**self.aboard, key: definition}, self.retired)

    def _planned_anew(self, key: SequenceKey, after: SequenceKnowledge) -> Definitions:
        """A run that is planned after another one begins with the latest definition."""
        latest = self.adopted.get((TARGET, key[0]))
        planned = after.start is not None and after.start.status is StartStatus.EXPECTED
        if not planned or latest is None or key[1] not in _sequences(latest):
            return self
        if key not in self.aboard:
            return self
        aboard = {other: each for other, each in self.aboard.items() if other != key}
        return Definitions(self.adopted, aboard, self.retired)

    def _adopted(
        self, record: Record, sequences: Mapping[SequenceKey, SequenceKnowledge]
    ) -> Definitions:
        what = STATION if record.body.get("what") == STATION else TARGET
        name = record.subject
        before = self.adopted.get((what, name))
        adopted = {**self.adopted, (what, name): record}
        if what == STATION:
            return Definitions(adopted, self.aboard, self.retired)
        aboard = dict(self.aboard)
        for sequence in _sequences(record):
            key = (name, sequence)
            known = sequences.get(key)
            runs = known is not None and _runs(known)
            untold = known is None or known.start is None
            present = aboard.get(key)
            # A start that the file told and then forgot is still the same run.
            goes_on = present is not None and (runs or (untold and _filed_run(present, sequence)))
            if not goes_on and (runs or _filed_run(record, sequence)):
                begun = before is not None and _filed_run(before, sequence) and not runs
                if present is None or not begun:
                    aboard[key] = record
        if before is not None:
            for sequence in _sequences(before) - _sequences(record):
                aboard.setdefault((name, sequence), before)
        retired = self.retired - {name, *(f"{name}/{each}" for each in _sequences(record))}
        return Definitions(adopted, aboard, retired)

    def _confirmed(self, target: str, sequence: str) -> Definitions:
        latest = self.adopted.get((TARGET, target))
        if latest is None:
            return self
        aboard = dict(self.aboard)
        for key in [k for k in aboard if k[0] == target and sequence in ("", k[1])]:
            if key[1] in _sequences(latest):
                aboard[key] = latest
        return Definitions(self.adopted, aboard, self.retired)

    @property
    def numbers(self) -> frozenset[int]:
        """Numbers of the records that count."""
        return frozenset(each.number for each in (*self.adopted.values(), *self.aboard.values()))


def _runs(knowledge: SequenceKnowledge) -> bool:
    return knowledge.start is not None and knowledge.start.may_run


def _starts(record: Record) -> Mapping[str, object]:
    found = record.body.get("sequences")
    return found if isinstance(found, dict) else {}


def _sequences(record: Record) -> frozenset[str]:
    return frozenset(_starts(record))


def _filed_run(record: Record, sequence: str) -> bool:
    """Whether the file itself says that a sequence runs, or may."""
    return _starts(record).get(sequence) in _MAY_RUN
