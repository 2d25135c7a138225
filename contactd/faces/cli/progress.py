"""Progress of what takes longer than a second: on standard error, and on a terminal only."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from typing import TypeVar

import click

PATIENCE_S = 1.0

Item = TypeVar("Item")


def with_progress(
    items: Sequence[Item], label: str, patience_s: float = PATIENCE_S
) -> Iterator[Item]:
    """The items; once they have taken that long, a bar shows how many are done."""
    if len(items) < 2 or not sys.stderr.isatty():
        yield from items
        return
    began = time.monotonic()
    done = 0
    for item in items:
        if time.monotonic() - began > patience_s:
            break
        yield item
        done += 1
    if done == len(items):
        return
    with click.progressbar(length=len(items), label=label, file=sys.stderr) as bar:
        bar.update(done)
        for item in items[done:]:
            yield item
            bar.update(1)
