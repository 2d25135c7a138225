"""Finding what somebody named, and the nearest name when there is none."""

from __future__ import annotations

import difflib
from collections.abc import Sequence


def resolve(kind: str, given: str, known: Sequence[str], most: int = 8) -> str:
    """The known name that was meant; capitals and blanks round it do not matter.

    At most so many of the known ones are listed where none was.

    Raises:
        ValueError: if there is none; the message names the nearest.
    """
    wanted = given.strip()
    if wanted in known:
        return wanted
    folded = [name for name in known if name.casefold() == wanted.casefold()]
    if len(folded) == 1:
        return folded[0]
    if not known:
        raise ValueError(f"No {kind} {given!r}: the configuration has none. Run `contactd check`.")
    by_fold = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(wanted.casefold(), by_fold, n=1)
    if near:
        raise ValueError(f"No {kind} {given!r}. Did you mean {by_fold[near[0]]!r}?")
    listed = ", ".join(repr(name) for name in list(known)[:most])
    more = f" and {len(known) - most} more" if len(known) > most else ""
    raise ValueError(f"No {kind} {given!r}. Use one of {listed}{more}.")
