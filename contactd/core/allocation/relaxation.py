"""What no allocation can exceed, where not every start could be looked at.

Each contact's possible starts are shared out among a few slots. Wherever in its slot a contact
begins, it has the antenna from the slot's end until the least duration after the slot's beginning;
nothing more is asked for. Every allocation there is fits into that, so that the linear relaxation
of it bounds them all.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.offers import Antennas
from contactd.core.allocation.opportunities import Opportunities
from contactd.core.allocation.problem import Intervals, Members, Problem, Tier, TierKind, rows_for

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

SLOTS = 4
TINY = 1e-6


def most_contacts(opportunities: Opportunities, antennas: Antennas, room: FloatArray) -> int:
    """No allocation has more contacts, each as often as its request's priority says.

    Args:
        room: contacts that each period wants, infinity for as many as can be had.
    """
    from scipy.optimize import linprog

    requests = opportunities.requests
    ordinary = np.array([not each.urgent for each in requests], np.bool_)[opportunities.request]
    opportunity = np.repeat(np.flatnonzero(ordinary), SLOTS)
    problem = _slots(opportunities, antennas, opportunity, room)
    rows = rows_for(problem, np.arange(problem.count))
    worth = np.array([each.priority for each in requests], dtype=np.float64)
    value = worth[opportunities.request[opportunity]]
    answer = linprog(-value, A_ub=rows.matrix, b_ub=rows.room, bounds=(0.0, 1.0), method="highs-ds")
    if answer.status != 0:
        return int(value.sum())
    return math.floor(-float(answer.fun) * (1.0 + TINY))


def _slots(
    opportunities: Opportunities, antennas: Antennas, opportunity: IndexArray, room: FloatArray
) -> Problem:
    requests = opportunities.requests
    request = opportunities.request[opportunity]
    least_s = np.array([each.least_duration_s for each in requests])[request]
    parts = np.array([each.in_parts for each in requests], np.bool_)[request]
    begins = opportunities.usable_from[opportunity]
    width_s = np.maximum(opportunities.usable_to[opportunity] - least_s - begins, 0.0) / SLOTS
    slot = np.arange(len(opportunity)) % SLOTS
    start, end = begins + (slot + 1) * width_s, begins + slot * width_s + least_s
    every = np.arange(len(opportunity))
    station = opportunities.station[opportunity]
    # One grant may serve several requests of a target: only one of them takes up the antenna.
    names = [each.target for each in requests]
    leads = np.array([names.index(name) == at for at, name in enumerate(names)], np.bool_)[request]
    busy = every[leads & ~parts]
    gap_s = antennas.setup_s + antennas.teardown_s
    antenna = _held(busy, station, start, end + gap_s[station], len(antennas.names))
    spacing = [each.spacing_s for each in requests]
    apart = np.array([each is not None for each in spacing], np.bool_)[request]
    spacing_s = np.array([each or 0.0 for each in spacing])[request]
    rest = _held(every[apart & ~parts], request, start, end + spacing_s, len(requests))
    period = opportunities.period[opportunity]
    counted = np.isfinite(room[period])
    tier = Tier(TierKind.CONTACTS)
    return Problem(
        (tier,),
        np.ones((1, len(every)), dtype=np.int64),
        (antenna, rest),
        (
            Members(every, opportunity, np.ones(len(opportunities))),
            Members(every[counted], period[counted], np.where(np.isfinite(room), room, 0.0)),
        ),
    )


def _held(
    which: IndexArray,
    group: IndexArray,
    start: FloatArray,
    end: FloatArray,
    groups: int,
) -> Intervals:
    which = which[end[which] - start[which] > TINY]
    return Intervals(which, group[which], start[which], end[which] - TINY, groups)
