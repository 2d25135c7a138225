"""What requests ask for is kept to, rule by rule, in cases that can be checked by eye."""

from __future__ import annotations

from dataclasses import replace

import pytest
from allocation_cases import DAWN, coverage, stations

from contactd.core.allocation.allocate import allocate
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation, Grant, How, allocated
from contactd.core.contacts.contact import Coverage
from contactd.core.instants import DAY_S
from contactd.core.intervals import EMPTY, IntervalSet

MINUTE_S, HOUR_S = 60.0, 3600.0
LONG_AFTER = DAWN + 3 * DAY_S


def minutes(grant: Grant) -> tuple[str, float, float]:
    """Station, start and end in minutes after the dawn."""
    return grant.station, (grant.start - DAWN) / MINUTE_S, (grant.end - DAWN) / MINUTE_S


def spans(made: Allocation, target: str) -> list[tuple[str, float, float]]:
    return [minutes(grant) for grant in made.grants if grant.target == target]


def at(*pairs: tuple[float, float]) -> list[tuple[float, float]]:
    """Spans in minutes."""
    return [(MINUTE_S * start, MINUTE_S * end) for start, end in pairs]


def test_without_rivals_every_contact_is_granted_whole() -> None:
    seen = coverage(
        {("Lantern", "North"): at((5, 15), (100, 110)), ("Lantern", "South"): at((50, 58))}
    )
    made = allocate([Request("Lantern")], seen, stations("North", "South"), DAWN)
    assert spans(made, "Lantern") == [("North", 5, 15), ("South", 50, 58), ("North", 100, 110)]
    assert not made.shortfalls
    assert made.is_best


def test_a_contact_shorter_than_the_least_duration_is_not_granted() -> None:
    seen = coverage({("Lantern", "North"): at((5, 8), (100, 110))})
    made = allocate([Request("Lantern", least_duration_s=300)], seen, stations("North"), DAWN)
    assert spans(made, "Lantern") == [("North", 100, 110)]


def test_the_elements_timing_error_is_granted_but_does_not_count() -> None:
    """The antenna is ours for as long as the contact is possible; the least duration is nominal."""
    seen = coverage({("Lantern", "North"): at((10, 16))}, error_s=30.0)
    assert spans(
        allocate([Request("Lantern", least_duration_s=360)], seen, stations("North"), DAWN),
        "Lantern",
    ) == [("North", 9.5, 16.5)]
    assert not allocate(
        [Request("Lantern", least_duration_s=361)], seen, stations("North"), DAWN
    ).grants


def test_what_must_be_sure_counts_only_certain_coverage() -> None:
    seen = coverage({("Lantern", "North"): at((10, 16))}, error_s=30.0)
    for least_s, count in ((300, 1), (301, 0)):
        wanted = Request("Lantern", least_duration_s=least_s, sure=True)
        assert len(allocate([wanted], seen, stations("North"), DAWN).grants) == count


def test_the_higher_priority_has_the_contact_and_the_loser_is_told_why() -> None:
    seen = coverage({("Lantern", "North"): at((0, 6)), ("Heron", "North"): at((2, 8))})
    wanted = [
        Request("Lantern", priority=2, least_duration_s=300),
        Request("Heron", priority=5, least_duration_s=300),
    ]
    made = allocate(wanted, seen, stations("North"), DAWN)
    assert spans(made, "Heron") == [("North", 2, 8)]
    assert spans(made, "Lantern") == []
    (missing,) = made.shortfalls
    assert (missing.target, missing.wanted, missing.granted) == ("Lantern", 1, 0)
    assert missing.because == "lost to Heron, because a priority of 5 goes before 2"
    (lost,) = missing.lost
    assert lost.to == tuple(each for each in made.grants if each.target == "Heron")


def test_two_that_can_share_an_antenna_share_it() -> None:
    seen = coverage({("Lantern", "North"): at((0, 12)), ("Heron", "North"): at((0, 12))})
    wanted = [Request(name, least_duration_s=300) for name in ("Lantern", "Heron")]
    made = allocate(wanted, seen, stations("North", setup_s=60, teardown_s=60), DAWN)
    first, second = sorted(made.grants, key=lambda each: each.start)
    assert {first.target, second.target} == {"Lantern", "Heron"}
    assert second.start - first.end == 120
    assert min(first.duration_s, second.duration_s) >= 300


def test_setup_and_teardown_lie_between_targets() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10)), ("Heron", "North"): at((12, 22))})
    wanted = [Request(name, least_duration_s=600) for name in ("Lantern", "Heron")]
    roomy = allocate(wanted, seen, stations("North", setup_s=60, teardown_s=60), DAWN)
    assert len(roomy.grants) == 2
    tight = allocate(wanted, seen, stations("North", setup_s=60, teardown_s=61), DAWN)
    assert len(tight.grants) == 1


@pytest.mark.parametrize(
    ("count", "per_day", "expected"), [(2, True, 4), (3, False, 3), (None, True, 8)]
)
def test_no_more_contacts_than_wanted_are_granted(
    count: int | None, per_day: bool, expected: int
) -> None:
    contacts = [
        (day * 1440 + at_, day * 1440 + at_ + 10) for day in (0, 1) for at_ in (10, 200, 400, 600)
    ]
    seen = coverage({("Lantern", "North"): at(*contacts)})
    wanted = Request("Lantern", count=count, per_day=per_day)
    made = allocate([wanted], seen, stations("North"), DAWN, until=DAWN + 2 * DAY_S)
    assert len(made.grants) == expected
    assert not made.shortfalls


def test_contacts_of_one_request_keep_their_spacing_at_all_stations() -> None:
    seen = coverage(
        {
            ("Lantern", "North"): at((0, 10), (60, 70), (125, 135)),
            ("Lantern", "South"): at((30, 40)),
        }
    )
    wanted = Request("Lantern", least_duration_s=600, least_spacing_s=50 * MINUTE_S)
    made = allocate([wanted], seen, stations("North", "South"), DAWN)
    assert spans(made, "Lantern") == [("North", 0, 10), ("North", 60, 70), ("North", 125, 135)]


def test_who_wants_all_there_is_gets_two_stations_at_once_and_who_counts_does_not() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10)), ("Lantern", "South"): at((0, 10))})
    everything = allocate([Request("Lantern")], seen, stations("North", "South"), DAWN)
    assert spans(everything, "Lantern") == [("North", 0, 10), ("South", 0, 10)]
    counted = Request("Lantern", count=2, least_duration_s=360)
    assert len(allocate([counted], seen, stations("North", "South"), DAWN).grants) == 1


def test_a_deadline_and_a_beginning_are_kept_to() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10), (60, 70), (120, 130))})
    wanted = Request(
        "Lantern", not_before=DAWN + 65 * MINUTE_S, deadline=DAWN + 124 * MINUTE_S, count=2
    )
    made = allocate([wanted], seen, stations("North"), DAWN)
    assert spans(made, "Lantern") == [("North", 65, 70), ("North", 120, 124)]


def test_a_deadline_of_highest_priority_goes_before_all_others_together() -> None:
    """A stop of priority 1 against two contacts of the greatest priority."""
    seen = coverage(
        {("Lantern", "North"): at((0, 10)), ("Heron", "North"): at((0, 4.5), (5.5, 10))}
    )
    wanted = [
        Request(
            "Lantern", "stop", least_duration_s=600, urgent=True, why="the stop of antenna release"
        ),
        Request("Heron", priority=1000, least_duration_s=270),
    ]
    made = allocate(wanted, seen, stations("North"), DAWN)
    assert spans(made, "Lantern") == [("North", 0, 10)]
    (missing,) = made.shortfalls
    assert missing.because == (
        "lost to Lantern, because the stop of antenna release goes before everything"
    )


def test_a_stop_is_granted_as_late_as_it_can_be() -> None:
    seen = coverage(
        {("Lantern", "North"): at((0, 10), (60, 70)), ("Lantern", "South"): at((58, 75))}
    )
    wanted = Request(
        "Lantern",
        "stop",
        count=1,
        per_day=False,
        urgent=True,
        late=True,
        deadline=DAWN + 72 * MINUTE_S,
    )
    made = allocate([wanted], seen, stations("North", "South"), DAWN)
    assert spans(made, "Lantern") == [("South", 58, 72)]


def test_preferred_stations_are_taken_where_they_can_be() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10)), ("Lantern", "South"): at((0, 11))})
    made = allocate(
        [Request("Lantern", preferred=("North",), count=1)], seen, stations("North", "South"), DAWN
    )
    assert spans(made, "Lantern") == [("North", 0, 10)]
    busy = [
        Request("Lantern", preferred=("North",), count=1),
        Request("Heron", priority=9, least_duration_s=600),
    ]
    seen |= coverage({("Heron", "North"): at((0, 10))})
    made = allocate(busy, seen, stations("North", "South"), DAWN)
    assert spans(made, "Lantern") == [("South", 0, 11)]


def test_only_the_stations_that_were_named_are_used() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10)), ("Lantern", "South"): at((30, 40))})
    made = allocate(
        [Request("Lantern", stations=("South",))], seen, stations("North", "South"), DAWN
    )
    assert spans(made, "Lantern") == [("South", 30, 40)]


def test_one_stretch_serves_several_requests_of_its_target() -> None:
    """Telemetry and a stop need one antenna, once; the commands lie within the telemetry."""
    seen = coverage({("Lantern", "North"): at((0, 12))})
    seen["Lantern"]["command"] = {
        "North": Coverage(*(IntervalSet([DAWN + 120], [DAWN + 600]),) * 3)
    }
    wanted = [
        Request("Lantern", "pass", "telemetry", least_duration_s=600),
        Request("Lantern", "stop", "command", least_duration_s=60, count=1, urgent=True),
    ]
    made = allocate(wanted, seen, stations("North", setup_s=60), DAWN)
    (grant,) = made.grants
    assert grant.requests == ("pass", "stop")
    assert minutes(grant) == ("North", 0, 12)


def test_a_contact_is_handed_over_where_one_station_is_too_short() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10)), ("Lantern", "South"): at((8, 18))})
    wanted = Request("Lantern", least_duration_s=17 * MINUTE_S, handover_overlap_s=MINUTE_S)
    made = allocate([wanted], seen, stations("North", "South"), DAWN)
    north, south = made.grants
    assert (north.start, south.end) == (DAWN, DAWN + 18 * MINUTE_S)
    assert north.end - south.start >= MINUTE_S
    assert (north.takes_over_from, south.takes_over_from) == ("", "North")
    too_far = replace(wanted, handover_overlap_s=2.5 * MINUTE_S)
    assert not allocate([too_far], seen, stations("North", "South"), DAWN).grants


def test_a_handover_fails_as_a_whole_where_one_of_its_stations_is_needed_elsewhere() -> None:
    seen = coverage(
        {
            ("Lantern", "North"): at((0, 10)),
            ("Lantern", "South"): at((8, 18)),
            ("Heron", "South"): at((9, 19)),
        }
    )
    wanted = [
        Request("Lantern", least_duration_s=17 * MINUTE_S, handover_overlap_s=MINUTE_S, count=1),
        Request("Heron", priority=3, least_duration_s=10 * MINUTE_S),
    ]
    made = allocate(wanted, seen, stations("North", "South"), DAWN, until=LONG_AFTER)
    assert spans(made, "Lantern") == []
    assert spans(made, "Heron") == [("South", 9, 19)]
    assert any(each.target == "Lantern" for each in made.shortfalls)


def test_two_stations_at_once_are_granted_for_as_long_as_both_see_the_target() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10)), ("Lantern", "South"): at((4, 14))})
    wanted = Request("Lantern", least_duration_s=5 * MINUTE_S, stations_at_once=2, count=1)
    made = allocate([wanted], seen, stations("North", "South"), DAWN)
    assert spans(made, "Lantern") == [("North", 4, 10), ("South", 4, 10)]


def test_time_in_view_without_end_is_given_in_parts() -> None:
    seen = coverage({("Hover", "North"): at((0, 600)), ("Lantern", "North"): at((100, 110))})
    wanted = [
        Request("Hover", most_duration_s=2 * HOUR_S),
        Request("Lantern", priority=5, least_duration_s=10 * MINUTE_S),
    ]
    made = allocate(wanted, seen, stations("North", setup_s=60, teardown_s=60), DAWN)
    assert spans(made, "Lantern") == [("North", 100, 110)]
    hovering = spans(made, "Hover")
    assert hovering[:2] == [("North", 0, 98), ("North", 120, 240)]
    assert len(hovering) == 5
    assert all(end - start <= 120 for _, start, end in hovering)
    # Two minutes lie between two grants, and no more than they must.
    assert sum(end - start for _, start, end in hovering) == 98 + 480 - 3 * 2
    granted = made.granted("Hover")["North"].clip(DAWN, LONG_AFTER)
    assert not granted.meets(DAWN + 98 * MINUTE_S, DAWN + 112 * MINUTE_S)


def test_a_shortfall_for_want_of_contacts_says_so() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10), (2000, 2010))})
    wanted = Request("Lantern", count=2, least_duration_s=300)
    made = allocate([wanted], seen, stations("North"), DAWN, until=DAWN + 3 * DAY_S + 60)
    assert [(each.granted, each.because) for each in made.shortfalls] == [
        (1, "there is only 1 contact of at least 5 min"),
        (1, "there is only 1 contact of at least 5 min"),
        (0, "there is no contact of at least 5 min with any station"),
    ]


def test_two_requests_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="two requests"):
        allocate([Request("Lantern"), Request("Lantern")], {}, {}, DAWN)


def test_coverage_is_cut_down_to_what_was_granted() -> None:
    long, short = IntervalSet([0.0], [100.0]), IntervalSet([10.0], [90.0])
    seen = {"command": {"North": Coverage(long, short, long), "South": Coverage(long, long, long)}}
    cut = allocated(seen, {"North": IntervalSet([20.0], [95.0])})
    assert cut["command"]["North"] == Coverage(
        IntervalSet([20.0], [95.0]), IntervalSet([20.0], [90.0]), IntervalSet([20.0], [95.0])
    )
    assert cut["command"]["South"] == Coverage(EMPTY, EMPTY, EMPTY)


# What was granted before.


def test_what_was_granted_before_stays_unless_something_better_comes() -> None:
    """A rival of the same priority and a slightly longer contact does not move it."""
    seen = coverage({("Lantern", "North"): at((0, 10)), ("Heron", "North"): at((0, 11))})
    lantern = Request("Lantern", least_duration_s=8 * MINUTE_S)
    heron = Request("Heron", least_duration_s=8 * MINUTE_S)
    before = allocate([lantern], seen, stations("North"), DAWN)
    after = allocate([lantern, heron], seen, stations("North"), DAWN, before)
    assert spans(after, "Lantern") == [("North", 0, 10)]
    assert after.grants[0].how is How.KEPT
    (missing,) = after.shortfalls
    assert "it was granted before" in missing.because
    stronger = replace(heron, priority=2)
    moved = allocate([lantern, stronger], seen, stations("North"), DAWN, before)
    assert spans(moved, "Heron") == [("North", 0, 11)]
    assert [each.target for each in moved.dropped] == ["Lantern"]


def test_within_frozen_time_nothing_moves_and_nothing_begins() -> None:
    seen = coverage(
        {("Lantern", "North"): at((30, 40)), ("Heron", "North"): at((30, 40), (50, 60), (90, 99))}
    )
    lantern, heron = Request("Lantern"), Request("Heron", priority=9)
    before = allocate([lantern], seen, stations("North"), DAWN)
    made = allocate(
        [replace(lantern, least_duration_s=600), heron],
        seen,
        stations("North"),
        DAWN,
        before,
        DAWN + HOUR_S,
    )
    assert spans(made, "Lantern") == [("North", 30, 40)]
    assert made.grants[0].how is How.FROZEN
    assert spans(made, "Heron") == [("North", 90, 99)]


def test_what_is_urgent_breaks_into_frozen_time() -> None:
    seen = coverage({("Lantern", "North"): at((30, 40)), ("Heron", "North"): at((30, 40))})
    before = allocate([Request("Heron", priority=9)], seen, stations("North"), DAWN)
    stop = Request("Lantern", "stop", least_duration_s=600, urgent=True)
    wanted = [Request("Heron", priority=9, least_duration_s=600), stop]
    made = allocate(wanted, seen, stations("North"), DAWN, before, DAWN + HOUR_S)
    assert spans(made, "Lantern") == [("North", 30, 40)]
    assert [each.target for each in made.dropped] == ["Heron"]


def test_a_contact_that_goes_on_is_not_taken_away() -> None:
    """Three minutes into a contact of ten what is left would be too short to be granted anew."""
    seen = coverage({("Lantern", "North"): at((30, 40)), ("Heron", "North"): at((30, 45))})
    lantern = Request("Lantern", least_duration_s=9 * MINUTE_S)
    before = allocate([lantern], seen, stations("North"), DAWN)
    heron = Request("Heron", priority=9)
    now = DAWN + 33 * MINUTE_S
    made = allocate([lantern, heron], seen, stations("North"), now, before)
    assert spans(made, "Lantern") == [("North", 30, 40)]


def test_a_contact_that_moves_with_new_elements_stays_granted() -> None:
    before_ = coverage({("Lantern", "North"): at((30, 40)), ("Heron", "North"): at((30, 40))})
    wanted = [Request("Lantern"), Request("Heron", least_duration_s=600)]
    before = allocate(wanted[:1], before_, stations("North"), DAWN)
    after = coverage({("Lantern", "North"): at((30.2, 40.2)), ("Heron", "North"): at((30.2, 40.2))})
    made = allocate(wanted, after, stations("North"), DAWN, before, DAWN + HOUR_S)
    assert spans(made, "Lantern") == [("North", pytest.approx(30.2), pytest.approx(40.2))]
    assert made.grants[0].how is How.FROZEN


def test_contacts_that_are_over_count_for_their_day_and_for_spacing() -> None:
    seen = coverage({("Lantern", "North"): at((0, 10), (60, 70), (120, 130), (180, 190))})
    wanted = Request("Lantern", count=2, least_spacing_s=100 * MINUTE_S, least_duration_s=600)
    before = allocate([wanted], seen, stations("North"), DAWN)
    assert (
        spans(before, "Lantern") == [("North", 0, 10), ("North", 120, 130)]
        or len(before.grants) == 2
    )
    first = before.grants[0]
    later = allocate([wanted], seen, stations("North"), first.end + 1, before)
    assert len(later.grants) == 2
    assert later.grants[0].end <= first.end
    assert later.grants[1].start >= first.end + 100 * MINUTE_S


def test_what_lies_before_the_first_allocation_is_ours() -> None:
    seen = coverage(
        {("Lantern", "North"): at((30, 40), (50, 60)), ("Heron", "North"): at((30, 60))}
    )
    wanted = [Request("Heron", priority=9, least_duration_s=600)]
    made = allocate(wanted, seen, stations("North"), DAWN + 45 * MINUTE_S)
    ours = allocated(seen["Lantern"], made.granted("Lantern"))["telemetry"]["North"].nominal
    assert ours == IntervalSet([DAWN + 30 * MINUTE_S], [DAWN + 40 * MINUTE_S])
