"""What is watched although the files no longer say so, and what is not watched: plain values."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Contradiction:
    """What the files say otherwise than what runs aboard, which stays in force.

    Attributes:
        target, sequence: what is watched as last known; "" for a target as a whole.
        key: what differs, such as ``'antenna release': delay``.
        aboard, filed: the two values, in words.
        place: where the file says so, ``targets/lantern-3.yaml:41``.
        hazardous: whether the sequence has a hazardous step.
        is_gone: the target or the sequence is not in the files at all.
    """

    target: str
    sequence: str
    key: str
    aboard: str
    filed: str
    place: str
    hazardous: bool
    is_gone: bool = False

    @property
    def subject(self) -> str:
        """What it is about, as records name it."""
        return f"{self.target}/{self.sequence}" if self.sequence else self.target

    @property
    def remedy(self) -> str:
        """The command by which somebody says that the files are right."""
        if not self.is_gone:
            return f"contactd record definition '{self.target}' '{self.sequence}'"
        sequence = f" --sequence '{self.sequence}'" if self.sequence else ""
        return f"contactd record retired --target '{self.target}'{sequence}"

    @property
    def text(self) -> str:
        """Key, both values and the place."""
        return f"{self.key}: aboard {self.aboard}, {self.place} says {self.filed}"


@dataclass(frozen=True, slots=True)
class Unwatched:
    """Something that ought to be watched and is not, and why."""

    name: str
    why: str

    @property
    def text(self) -> str:
        """Both, in one sentence without its full stop."""
        return f"{self.name} is not watched: {self.why}"
