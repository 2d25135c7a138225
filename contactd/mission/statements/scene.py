"""What a statement is checked against."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from collections.abc import Sequence as Several
from dataclasses import dataclass, replace
from functools import cache

from contactd.core.contacts.missed import without_missed
from contactd.core.ground.station import Station
from contactd.core.handover import GivenHandover, OpenItem
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import Prediction, predict_target
from contactd.core.record import Record
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence
from contactd.core.sequences.naming import known_step, named, refuse
from contactd.core.target import Target
from contactd.mission.open_items import open_items

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Scene:
    """What a statement is checked against.

    Attributes:
        target, sequence: None for what concerns the service, or a target, as a whole.
        knowledge: what the records say of the sequence so far.
        stations: by name, with what is stated of them.
        now_s: the present (instant, s).
        key: the same key twice writes one record; "" for none.
        observations: records of what stations observed of the target's motion.
        adopt_corrections: whether what they teach is adopted with each of them.
        coverage: predicts the target over a span (instants, s), missed contacts taken out. It may
            take seconds: never to be called where something must not wait.
        handover: the last shift that was handed over, or None.
        outlooks: every target's; it may take seconds too.
    """

    target: Target | None
    sequence: Sequence | None
    knowledge: SequenceKnowledge
    stations: Mapping[str, Station]
    author: str
    now_s: float
    key: str
    coverage: Callable[[Span], Prediction]
    observations: Several[Record] = ()
    adopt_corrections: bool = False
    handover: GivenHandover | None = None
    outlooks: Callable[[], Iterable[TargetOutlook]] = tuple

    def open_items(self) -> tuple[OpenItem, ...]:
        """Every open hazard, stop and doubt. It may forecast, which may take seconds."""
        return open_items(self.outlooks(), self.now_s)

    @property
    def of_sequence(self) -> Sequence:
        """The sequence; for statements that cannot do without one."""
        if self.sequence is None:
            refuse("sequence", "nothing", "the sequence that this is about", "No sequence given.")
        return self.sequence

    def step(self, given: str) -> str:
        """The step's name as configured."""
        return known_step(self.of_sequence, given).name

    def station(self, given: str) -> str:
        """The station's name as configured."""
        return named("station", given, sorted(self.stations))


def scene_of(
    target: str,
    sequence: str | None,
    *,
    targets: Mapping[str, Target],
    stations: Mapping[str, Station],
    knowledge: Callable[[str, str], SequenceKnowledge],
    missed: Callable[[str], Several[Record]],
    observations: Callable[[str], Several[Record]] = lambda _: (),
    adopt_corrections: bool = False,
    author: str,
    now_s: float,
    key: str = "",
    handover: GivenHandover | None = None,
    outlooks: Callable[[], Iterable[TargetOutlook]] = tuple,
) -> Scene:
    """The scene of a statement about a target (or none, ""), and perhaps a sequence of it.

    Args:
        knowledge: what is known of a target's sequence, by both names.
        missed: records of a target's missed contacts.
        observations: records of what was observed of a target's motion.
        adopt_corrections: whether what they teach is adopted with each of them.
        handover, outlooks: as in :class:`Scene`.

    Raises:
        InputError: for a name that is not known, or an author who is not.
    """
    if not author.strip():
        refuse("by", "nothing", "your name", "No name. Add --by NAME.")
    common = {"stations": stations, "author": author, "now_s": now_s, "key": key,
              "handover": handover, "outlooks": outlooks}  # fmt: skip
    if not target:
        if sequence:
            refuse("target", "nothing", "the sequence's target", "No target given. Name one.")
        return Scene(None, None, SequenceKnowledge(), coverage=_nowhere, **common)  # type: ignore[arg-type]
    found = targets[named("target", target, targets)]
    chosen, known = None, SequenceKnowledge()
    if sequence is not None:
        sequences = {each.name: each for each in found.sequences}
        if not sequences:
            refuse(
                "sequence", repr(sequence), f"another target: {found.name} has no sequences",
                f"{found.name} has no sequences. Name another target.",
            )  # fmt: skip
        chosen = sequences[named("sequence", sequence, sequences)]
        known = knowledge(found.name, chosen.name)

    @cache
    def coverage(span: Span) -> Prediction:
        prediction = predict_target(found, list(stations.values()), span, now_s)
        outlook = prediction.outlook
        services = without_missed(outlook.services, outlook.contacts, missed(found.name))
        return replace(prediction, outlook=replace(outlook, services=services))

    return Scene(
        found,
        chosen,
        known,
        coverage=coverage,
        observations=observations(found.name),
        adopt_corrections=adopt_corrections,
        **common,  # type: ignore[arg-type]
    )


def _nowhere(_: Span) -> Prediction:
    refuse("target", "nothing", "the target that this is about", "No target given. Name one.")
