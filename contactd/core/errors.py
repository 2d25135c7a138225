"""The error tree. Operating errors are exceptions with data; programmer errors are assertions.

::

    ContactdError            code, message
    ├── InputError           path, line, column, key, found, expected   (what somebody wrote)
    │   └── …                one subclass a format, where a caller must tell them apart
    ├── InputErrors          several InputError, reported together
    ├── PropagationError     a target that cannot be propagated from some instant on
    ├── LedgerError          the ledger cannot be read or written
    │   ├── NewerLedger      it was written by a newer version of the program
    │   └── LeadLost         another service leads, so that this one may not write
    └── DeliveryError        an alert did not reach a channel; says whether trying again is worth it

A satellite that fails to propagate is a value in a result where several are asked for, and a
:class:`PropagationError` only where one is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


class ContactdError(Exception):
    """Root of all errors that an operator may see."""

    code = "contactd"


@dataclass(unsafe_hash=True)
class InputError(ContactdError):
    """Something that somebody wrote cannot be used.

    Attributes:
        expected: what is expected there, and where it helps, what to do.
        found: what was found, as written; secrets are never put here.
        key: the key or field, such as ``steps[2].delay``; "" where there is none.
        path: the file; "" for text that came from no file.
        line, column: from 1; 0 where there is none.
        says: the sentence for people, where it is more than ``found`` and ``expected``.
    """

    expected: str
    found: str = ""
    key: str = ""
    path: str = ""
    line: int = 0
    column: int = 0
    says: str = ""

    code = "input"

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.path, self.line, self.column) if part)
        parts = [place] if place else []
        if self.says:
            return ": ".join([*parts, self.says])
        if self.key:
            parts.append(self.key)
        found = f"found {self.found}; " if self.found else ""
        parts.append(f"{found}expected {self.expected}")
        return ": ".join(parts)

    def at(self, path: str, line: int = 0, column: int = 0) -> InputError:
        """The same error, placed in a file: given line and column are where the text begins."""
        return replace(
            self,
            path=path,
            line=line + max(self.line - 1, 0) if line else self.line,
            column=self.column if self.line > 1 or not column else column + max(self.column - 1, 0),
        )


class InputErrors(ContactdError):
    """Several input errors, reported together. ``errors`` holds them in order of place."""

    code = "inputs"

    def __init__(self, errors: tuple[InputError, ...]) -> None:
        super().__init__("\n".join(str(error) for error in errors))
        self.errors = errors


class PropagationError(ContactdError):
    """A target cannot be propagated. ``from_instant`` (s) is the first bad instant, if known."""

    code = "propagation"

    def __init__(self, target: str, reason: str, from_instant: float | None = None) -> None:
        super().__init__(f"{target}: {reason}")
        self.target = target
        self.reason = reason
        self.from_instant = from_instant

    def __reduce__(self) -> tuple[type[PropagationError], tuple[str, str, float | None]]:
        # An exception is pickled by its message otherwise; fleets pass these between processes.
        return type(self), (self.target, self.reason, self.from_instant)


class LedgerError(ContactdError):
    """The ledger cannot be read or written.

    Attributes:
        passing: whether it may work again later.
        damaged: whether its file is no longer what was written.
    """

    code = "ledger"

    def __init__(self, reason: str, passing: bool = False, damaged: bool = False) -> None:
        super().__init__(reason)
        self.passing = passing
        self.damaged = damaged


class NewerLedger(LedgerError):
    """The ledger was written by a newer version of the program: this one must leave it alone."""

    code = "newer-ledger"


class LeadLost(LedgerError):
    """Another service has taken the lead since: what was to be written was not."""

    code = "lead-lost"


class DeliveryError(ContactdError):
    """An alert did not reach a channel; ``worth_retrying`` says whether to try again."""

    code = "delivery"

    def __init__(self, channel: str, reason: str, worth_retrying: bool) -> None:
        super().__init__(f"{channel}: {reason}")
        self.channel = channel
        self.reason = reason
        self.worth_retrying = worth_retrying
