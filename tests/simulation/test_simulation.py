"""A hundred seeded nights; ``simulate.py --seeds`` has more. One is replayed by ``--seed N``."""

from __future__ import annotations

import multiprocessing

from simulate import failing

SEEDS = 100
AT_A_TIME = 50
# Nights that fail, and how. When one is corrected its test fails: take its line out.
KNOWN = {
    637: "told twice",  # Files go back and forth: two versions of a step tell one expiry each.
    865: "AssertionError",  # A step went from the files, and its alert stays open after its end.
}


def found_in(batches: list[range]) -> dict[int, str]:
    """The seeds whose night breaks something, and how."""
    # Fresh processes: what was killed in a night must never be collected, and so piles up.
    context = multiprocessing.get_context("spawn")
    with context.Pool(2, maxtasksperchild=1) as pool:
        return dict(each for batch in pool.imap_unordered(failing, batches) for each in batch)


def test_a_hundred_nights_break_nothing() -> None:
    found = found_in([range(first, first + AT_A_TIME) for first in range(0, SEEDS, AT_A_TIME)])
    lines = "\n".join(f"seed {seed}: {how[:300]}" for seed, how in sorted(found.items())[:10])
    assert not found, f"{len(found)} of {SEEDS} nights failed:\n{lines}"


def test_the_nights_that_are_known_to_fail_still_do() -> None:
    found = found_in([range(seed, seed + 1) for seed in KNOWN])
    assert found.keys() == KNOWN.keys(), "corrected? take it out of KNOWN"
    assert all(KNOWN[seed] in how for seed, how in found.items()), found
