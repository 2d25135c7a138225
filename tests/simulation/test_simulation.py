"""A thousand seeded nights. One that fails is replayed by ``simulate.py --seed N``."""

from __future__ import annotations

import multiprocessing

import pytest
from simulate import failing

SEEDS = 1000
AT_A_TIME = 50


def test_a_thousand_nights_break_nothing() -> None:
    batches = [range(first, first + AT_A_TIME) for first in range(0, SEEDS, AT_A_TIME)]
    # Fresh processes: what was killed in a night must never be collected, and so piles up.
    context = multiprocessing.get_context("spawn")
    with context.Pool(2, maxtasksperchild=1) as pool:
        found = [each for batch in pool.imap_unordered(failing, batches) for each in batch]
    if found:
        lines = "\n".join(f"seed {seed}: {how[:300]}" for seed, how in sorted(found)[:10])
        pytest.fail(f"{len(found)} of {SEEDS} nights failed:\n{lines}")
