"""Waits before another attempt: doubled, bounded, and spread."""

from hypothesis import given
from hypothesis import strategies as st

from contactd.core.backoff import Backoff


def test_waits_are_doubled_up_to_the_longest():
    backoff = Backoff(0.5, 6.0)
    waits = [backoff.wait_s(failures, lambda _least, most: most) for failures in range(1, 7)]
    assert waits == [0.5, 1.0, 2.0, 4.0, 6.0, 6.0]


@given(st.integers(1, 10**9), st.floats(0, 1), st.floats(0.01, 1e5), st.floats(0, 1))
def test_the_random_part_leaves_a_wait_between_its_least_share_and_all_of_it(
    failures, share, first_s, where
):
    backoff = Backoff(first_s, 2 * first_s, share)
    most = backoff.wait_s(failures, lambda _least, most: most)
    wait = backoff.wait_s(failures, lambda least, most: least + where * (most - least))
    assert share * most * 0.999 <= wait <= most * 1.001
    assert most <= 2 * first_s
