"""The allocation by CP-SAT of OR-Tools, the extra ``allocation``: for large cases, and as a check.

The same rows as for HiGHS, stated to a solver that works in quite another way: clauses and whole
numbers, no floating point. Both find the same points.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.large import Large
from contactd.core.allocation.milp import better
from contactd.core.allocation.problem import Floor, Problem, rows_for
from contactd.core.allocation.search_budget import Found, Watch
from contactd.core.errors import ContactdError

BoolArray = NDArray[np.bool_]


class SolverMissing(ContactdError):
    """The solver that was asked for is not installed."""

    code = "solver-missing"


def solve(
    problem: Problem,
    tier: int,
    floors: tuple[Floor, ...],
    usable: BoolArray,
    first: BoolArray,
    so_far: BoolArray,
    watch: Watch,
) -> Found:
    """The best choice of offers for one tier; given and returned as by ``highs.solve``.

    Raises:
        SolverMissing: if OR-Tools is not installed.
    """
    try:
        from ortools.sat.python import cp_model
    except ImportError:
        raise SolverMissing(
            "CP-SAT is not installed: install contactd with the extra 'allocation', or choose highs"
        ) from None
    points = problem.points[tier]
    columns = np.flatnonzero(usable)
    before = int(points[so_far].sum())
    if not points[columns].any():
        return Found(so_far, before, before)
    start = Found(so_far, before, max(int(points[columns].sum()), before))
    if len(columns) > watch.effort.all_at_once:
        # Of a crowd only the offers that the linear relaxation does not speak against are stated;
        # then what it bounds is all that can be said of the others.
        start, columns = Large(problem, points, columns, floors, watch).begun(first, so_far)
    model = cp_model.CpModel()
    taken = [model.new_bool_var("") for _ in columns]
    rows = rows_for(problem, columns)
    by_row = rows.matrix.tocsr()
    for row, room in enumerate(rows.room.tolist()):
        members = by_row.indices[by_row.indptr[row] : by_row.indptr[row + 1]].tolist()
        if len(members) > room:
            some: list[Any] = [taken[column] for column in members]
            if room == 1:
                model.add_at_most_one(some)
            else:
                model.add(sum(some) <= int(room))
    for floor in floors:
        counts = floor.points[columns].tolist()
        model.add(cp_model.LinearExpr.weighted_sum(taken, counts) >= floor.least)
    model.maximize(cp_model.LinearExpr.weighted_sum(taken, points[columns].tolist()))
    for variable, hint in zip(taken, start.taken[columns].tolist(), strict=True):
        model.add_hint(variable, hint)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = watch.left_s()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 0
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return start
    chosen = np.zeros(problem.count, dtype=np.bool_)
    chosen[columns[[bool(solver.value(variable)) for variable in taken]]] = True
    worth = int(points[chosen].sum())
    if len(columns) < int(usable.sum()):
        return better(start, Found(chosen, worth, start.bound))
    bound = worth if status == cp_model.OPTIMAL else round(solver.best_objective_bound)
    return Found(chosen, worth, max(bound, worth))
