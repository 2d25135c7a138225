"""What is watched: what the files say, and what runs aboard whatever the files say.

What runs, is in doubt or has records stays watched as it was last known, until a record ends it:
a confirmed definition, a stop, a start that did not happen, the last step confirmed, or the word
that it is retired. What the files say otherwise is a contradiction, which names key, both values
and the line. What makes a hazard wider in the files counts at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace

from contactd.core.sequences.expiry import known_start
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import (
    Delay,
    KeepClear,
    Sequence,
    Start,
    StartStatus,
    Step,
    StopRule,
)
from contactd.core.target import Target
from contactd.core.watched import Contradiction, Unwatched
from contactd.mission.timetext import NEAREST, moment, written

Key = tuple[str, str]
NOTHING = SequenceKnowledge()
MISSING = "nothing"
"""What is said where there is nothing."""
ABOARD = (
    "after", "join", "delay", "stop", "repeat_every_s", "repeat_most", "only_if_seen", "timer",
    "timers", "units_act",
)  # fmt: skip
"""What of a step is fixed aboard; the rest is what the ground wants of it."""


@dataclass(frozen=True, slots=True)
class Filed:
    """A target as its file has it.

    Attributes:
        path: of the file, as people name it.
        lines: of its sequences (``wake-up``), steps (``wake-up/antenna release``) and their keys
            (``wake-up/antenna release/delay``).
    """

    target: Target
    path: str = ""
    lines: Mapping[str, int] = field(default_factory=dict)

    def place(self, *parts: str) -> str:
        """Where something stands, or the nearest that encloses it."""
        for count in range(len(parts), 0, -1):
            line = self.lines.get("/".join(parts[:count]))
            if line:
                return f"{self.path}:{line}"
        return self.path


@dataclass(frozen=True, slots=True)
class Ledgered:
    """What the ledger knows of what is watched.

    Attributes:
        sequences: knowledge by (target, sequence).
        last: targets as last adopted, of those that the files do not have now.
        refused: the names of those among them whose file is there and is wrong.
        aboard: sequences as they were when their run began, where the files have them otherwise.
        lost: names of targets whose last definition cannot be used any more, and why.
        paths: the files that the targets in ``last`` stood in.
    """

    sequences: Mapping[Key, SequenceKnowledge] = field(default_factory=dict)
    last: Mapping[str, Target] = field(default_factory=dict)
    refused: frozenset[str] = frozenset()
    aboard: Mapping[Key, Sequence] = field(default_factory=dict)
    lost: Mapping[str, str] = field(default_factory=dict)
    paths: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WatchList:
    """What is watched, what is not, and where the files contradict what runs aboard.

    Attributes:
        kept: names of the targets that are watched although the files do not have them.
        unread: names of those whose files are wrong: what they would say is not known.
    """

    targets: Mapping[str, Target] = field(default_factory=dict)
    unwatched: tuple[Unwatched, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    kept: frozenset[str] = frozenset()
    unread: frozenset[str] = frozenset()


def watchlist(files: Mapping[str, Filed], ledger: Ledgered, now_s: float) -> WatchList:
    """What is to be watched at an instant (s).

    Args:
        files: the targets whose files can be used, by name.
    """
    targets: dict[str, Target] = {}
    found: list[Contradiction] = []
    kept: set[str] = set()
    for name, filed in files.items():
        aboard = {key[1]: one for key, one in ledger.aboard.items() if key[0] == name}
        merged = _merged(filed, aboard, ledger.sequences, now_s, found)
        targets[name] = merged
    for name, last in ledger.last.items():
        if name in files:
            continue
        if name in ledger.refused:
            targets[name] = _as_aboard(last, ledger, now_s)
            kept.add(name)
            continue
        as_known = _as_aboard(last, ledger, now_s)
        if any(
            is_bound(each, ledger.sequences.get((name, each.name))) for each in as_known.sequences
        ):
            targets[name] = as_known
            kept.add(name)
            path = ledger.paths.get(name, "") or "the files"
            hazardous = any(map(_is_hazardous, as_known.sequences))
            found.append(
                Contradiction(
                    name, "", "file", "watched", "no such file", path, hazardous, is_gone=True
                )
            )
    lost = tuple(Unwatched(name, why) for name, why in sorted(ledger.lost.items()))
    return WatchList(targets, lost, tuple(found), frozenset(kept), ledger.refused)


def is_bound(sequence: Sequence, knowledge: SequenceKnowledge | None) -> bool:
    """Whether a sequence must stay watched though its file is gone: it runs, or has records."""
    start = known_start(sequence, knowledge or NOTHING)
    return knowledge is not None or start.status is not StartStatus.PENDING


def may_run(sequence: Sequence, knowledge: SequenceKnowledge, now_s: float) -> bool:
    """Whether a sequence runs at an instant (s), is in doubt, or may have been started by then.

    It ends with a stop, with the word that it did not start, or with each of its steps confirmed,
    stopped or ruled not to act: not with time.
    """
    start = known_start(sequence, knowledge)
    due = start.status is StartStatus.EXPECTED and (start.earliest or now_s) < now_s
    if not (start.may_run or due):
        return False
    return not all(
        step.name in knowledge.seen
        or step.name in knowledge.stopped_steps
        or step.name in knowledge.inert_steps
        for step in sequence.steps
    )


def _as_aboard(last: Target, ledger: Ledgered, now_s: float) -> Target:
    """A target as last adopted, its running sequences as they were when they began."""
    aboard = {key[1]: one for key, one in ledger.aboard.items() if key[0] == last.name}
    names = [each.name for each in last.sequences]

    def runs(name: str) -> bool:
        one = aboard.get(name)
        return one is not None and may_run(
            one, ledger.sequences.get((last.name, name), NOTHING), now_s
        )

    sequences = [aboard[each.name] if runs(each.name) else each for each in last.sequences]
    others = [one for name, one in aboard.items() if name not in names]
    return replace(last, sequences=(*sequences, *others))


def _merged(
    filed: Filed,
    aboard: Mapping[str, Sequence],
    known: Mapping[Key, SequenceKnowledge],
    now_s: float,
    found: list[Contradiction],
) -> Target:
    target = filed.target
    sequences: list[Sequence] = []
    for sequence in target.sequences:
        one = aboard.get(sequence.name)
        knowledge = known.get((target.name, sequence.name), NOTHING)
        if one is None or not may_run(one, knowledge, now_s):
            sequences.append(sequence)
            continue
        merged, told = _of_sequence(filed, one, sequence)
        sequences.append(merged)
        found.extend(told)
    names = {each.name for each in target.sequences}
    for name, one in aboard.items():
        if name in names or not is_bound(one, known.get((target.name, name))):
            continue
        sequences.append(one)
        found.append(
            Contradiction(
                target.name, name, f"sequence '{name}'", "watched", MISSING, filed.path,
                _is_hazardous(one),
                is_gone=True,
            )
        )  # fmt: skip
    if list(target.sequences) == sequences:
        return target
    return replace(target, sequences=tuple(sequences))


def _of_sequence(
    filed: Filed, aboard: Sequence, file: Sequence
) -> tuple[Sequence, list[Contradiction]]:
    """A running sequence as it is watched, and where its file says otherwise."""
    told: list[tuple[str, str, str, str]] = []
    steps: list[Step] = []
    now = {each.name: each for each in file.steps}
    for step in aboard.steps:
        other = now.pop(step.name, None)
        if other is None:
            told.append((f"step '{step.name}'", "runs", MISSING, filed.place(file.name)))
            steps.append(step)
            continue
        for name in ABOARD:
            one, two = getattr(step, name), getattr(other, name)
            if one != two:
                where = filed.place(file.name, step.name, name)
                told.append((f"'{step.name}': {name}", said(one), said(two), where))
        steps.append(_with_hazard(step, other, filed, file.name, told))
    names = {each.name for each in steps}
    for step in file.steps:
        if step.name in now:
            told.append(
                (f"step '{step.name}'", MISSING, "a step", filed.place(file.name, step.name))
            )
            if set(step.after) <= names:
                steps.append(step)
                names.add(step.name)
    for name in ("clock", "units"):
        if getattr(aboard, name) != getattr(file, name):
            one, two = getattr(aboard, name), getattr(file, name)
            told.append((name, said(one), said(two), filed.place(file.name, name)))
    start = file.start
    if _takes_back(aboard.start, start):
        start = aboard.start
        where = filed.place(file.name, "start")
        told.append(("start", _start(aboard.start), _start(file.start), where))
    merged = replace(file, steps=tuple(steps), clock=aboard.clock, units=aboard.units, start=start)
    hazardous = _is_hazardous(merged)
    target = filed.target.name
    return merged, [Contradiction(target, file.name, *each, hazardous) for each in told]


def _with_hazard(
    step: Step, other: Step, filed: Filed, sequence: str, told: list[tuple[str, str, str, str]]
) -> Step:
    """A step as it runs, with what the file wants of the ground, its hazard the wider of both."""
    hazard, clear = step.hazard or other.hazard, other.keep_clear
    if step.hazard is not None and other.hazard is None:
        where = filed.place(sequence, step.name, "hazard")
        told.append((f"'{step.name}': hazard", step.hazard, MISSING, where))
    one = step.keep_clear
    if one is not None:
        two = other.keep_clear or KeepClear(-1.0, -1.0)
        if two.before_s < one.before_s or two.after_s < one.after_s:
            where = filed.place(sequence, step.name, "keep_clear")
            told.append((f"'{step.name}': keep_clear", said(one), said(other.keep_clear), where))
        clear = KeepClear(
            max(one.before_s, two.before_s), max(one.after_s, two.after_s), two.zone or one.zone
        )
    return replace(step, hazard=hazard, keep_clear=clear, needs=other.needs)


def _takes_back(aboard: Start, file: Start) -> bool:
    """Whether the file forgets a start that it has told: what it states of it otherwise counts."""
    return aboard.may_run and file.status in (StartStatus.PENDING, StartStatus.EXPECTED)


def _is_hazardous(sequence: Sequence) -> bool:
    return any(step.hazard is not None for step in sequence.steps)


def said(value: object) -> str:
    """A value of a file in a few words."""
    if value is None or value == ():
        return MISSING
    if isinstance(value, Delay):
        return _delay(value)
    if isinstance(value, KeepClear):
        return f"{written(value.before_s)} before to {written(value.after_s)} after"
    if isinstance(value, StopRule):
        return (
            f"lead {written(value.lead_s)}, takes effect in {written(value.takes_effect_s)}"
            f"{'' if value.stops_later_steps else ', later steps not stopped'}"
        )
    if isinstance(value, tuple):
        return ", ".join(str(getattr(each, "name", each)) for each in value)
    if hasattr(value, "__dataclass_fields__"):
        shown = (
            f"{each.name} {getattr(value, each.name):g}"
            for each in fields(value)  # type: ignore[arg-type]
            if isinstance(getattr(value, each.name), float)
        )
        return ", ".join(shown)
    return str(value)


def _delay(delay: Delay) -> str:
    setting = delay.setting
    if setting is None:
        error = f" ± {written(delay.error_bound_s)}" if delay.error_bound_s else ""
        return f"{written(delay.fixed_s)}{error}"
    chosen = "not chosen" if setting.chosen_s is None else written(setting.chosen_s)
    return f"a setting, {chosen}, {written(setting.least_s)} to {written(setting.greatest_s)}"


def _start(start: Start) -> str:
    middle = start.middle
    return start.status if middle is None else f"{start.status}, {moment(middle, NEAREST)}"


def never_adopted(paths: Iterable[str]) -> Iterator[Unwatched]:
    """Files that are wrong, and of which nothing was ever adopted."""
    for path in sorted(set(paths)):
        yield Unwatched(path, "its file is invalid and was never adopted")
