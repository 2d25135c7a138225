"""Every sentence of every face against the hidden truth; ``simulate.py --judge`` does more."""

from __future__ import annotations

import pytest
from falsify import FALSIFICATIONS, Falsification, honest
from known import KNOWN

NIGHTS = range(8)


@pytest.mark.parametrize("seed", NIGHTS)
def test_nothing_false_is_said_in_a_night_beyond_what_is_known(seed: int) -> None:
    found = [(kind, what) for kind, what in honest(seed) if kind not in KNOWN]
    assert not found, found[:5]


def test_what_is_known_to_be_false_is_still_told() -> None:
    told = {kind for kind, seed in KNOWN.items() if kind in {each for each, _ in honest(seed)}}
    assert told == KNOWN.keys(), "corrected? take it out of KNOWN"


@pytest.mark.parametrize("false", FALSIFICATIONS, ids=lambda false: false.name)
def test_the_world_sees_a_falsification(false: Falsification) -> None:
    assert false.shown_by(false.seed), f"{false.name} is not seen in night {false.seed}"
