"""Configuration while the service runs: notice, load, and say; the old one stays until then."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from contactd.config import Configuration, FileWatch, load
from contactd.config.loader import kept_folder
from contactd.core.errors import InputErrors
from contactd.service.keeping import keep

MOST_PROBLEMS_KEPT = 100


@dataclass(frozen=True, slots=True)
class Loaded:
    """What became of a load: a configuration, or the reasons why not.

    Attributes:
        problems: one text per error, each with file:line:column.
        wrong: the files that have errors.
    """

    configuration: Configuration | None
    problems: tuple[str, ...] = ()
    wrong: frozenset[str] = frozenset()


class Files(Protocol):
    """The configuration's files, as the daemon looks at them. Both calls may block.

    Attributes:
        kept: the folder of copies of what the ledger does not hold.
    """

    kept: Path

    def changed(self, around: float) -> Loaded | None:
        """Load the files if they differ from those last loaded; None if they do not."""
        ...

    def load(self, around: float) -> Loaded:
        """Load the files now, whether they have changed or not."""
        ...


class FilesOnDisk:
    """Looks at the files and loads them when they have changed. Blocking: call it in a thread."""

    def __init__(self, configuration: Configuration, state_directory: Path | None) -> None:
        self._directory = configuration.directory
        self._configuration = configuration
        self._refused = False
        self._state_directory = state_directory
        self._watch = FileWatch(self._directory, configuration.files)
        self.kept = kept_folder(self._directory, state_directory)
        if not configuration.wrong:
            keep(configuration, self.kept)

    def changed(self, around: float) -> Loaded | None:
        """Load the files if they differ from those last loaded; None if they do not.

        They are also loaded when the recurring outages in them have to be written out further.
        """
        runs_out = not self._refused and not self._configuration.reaches(around)
        due = self._watch.look() or runs_out
        return self.load(around) if due else None

    def load(self, around: float) -> Loaded:
        """Load the files now, whether they have changed or not."""
        try:
            configuration = load(
                self._directory, self._state_directory, around, earlier=self._configuration
            )
        except InputErrors as refused:
            self._refused = True
            wrong = frozenset(error.path for error in refused.errors)
            return Loaded(None, problem_texts(refused), wrong)
        self._configuration, self._refused = configuration, False
        self._watch.refer_to(configuration.files)
        keep(configuration, self.kept)
        return Loaded(configuration)


def problem_texts(refused: InputErrors) -> tuple[str, ...]:
    """The errors as texts, bounded in number."""
    texts = tuple(str(error) for error in refused.errors)
    if len(texts) <= MOST_PROBLEMS_KEPT:
        return texts
    return (*texts[:MOST_PROBLEMS_KEPT], f"and {len(texts) - MOST_PROBLEMS_KEPT} more errors")
