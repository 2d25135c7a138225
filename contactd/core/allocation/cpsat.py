"""The allocation by CP-SAT of OR-Tools, the extra ``allocation``: as a check.

The same rows as for HiGHS, stated to a solver that works in quite another way: clauses and whole
numbers, no floating point. Both find the same points.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.problem import Floor, Problem, rows_for
from contactd.core.allocation.search_budget import Found
from contactd.core.errors import ContactdError

IndexArray = NDArray[np.intp]
PointArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

WORK_PER_NODE = 0.1
"""Of CP-SAT's deterministic time, which counts steps of work: about a second each."""


class SolverMissing(ContactdError):
    """The solver that was asked for is not installed."""

    code = "solver-missing"


def by_cpsat(
    problem: Problem,
    points: PointArray,
    columns: IndexArray,
    floors: tuple[Floor, ...],
    hint: BoolArray,
    nodes: int,
) -> Found | None:
    """A :class:`~contactd.core.allocation.milp.Solve` by CP-SAT.

    Raises:
        SolverMissing: if OR-Tools is not installed.
    """
    try:
        from ortools.sat.python import cp_model
    except ImportError:
        raise SolverMissing(
            "CP-SAT is not installed: install contactd with the extra 'allocation', or choose highs"
        ) from None
    model = cp_model.CpModel()
    taken = [model.new_bool_var("") for _ in columns]
    rows = rows_for(problem, columns)
    by_row = rows.matrix.tocsr()
    for row, room in enumerate(rows.room.tolist()):
        members = by_row.indices[by_row.indptr[row] : by_row.indptr[row + 1]].tolist()
        some: list[Any] = [taken[column] for column in members]
        if room == 1:
            model.add_at_most_one(some)
        else:
            model.add(sum(some) <= int(room))
    for floor in floors:
        counts = floor.points[columns].tolist()
        model.add(cp_model.LinearExpr.weighted_sum(taken, counts) >= floor.least)
    model.maximize(cp_model.LinearExpr.weighted_sum(taken, points[columns].tolist()))
    for variable, is_hinted in zip(taken, hint[columns].tolist(), strict=True):
        model.add_hint(variable, is_hinted)
    solver = cp_model.CpSolver()
    solver.parameters.max_deterministic_time = nodes * WORK_PER_NODE
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 0
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    chosen = np.zeros(problem.count, dtype=np.bool_)
    chosen[columns[[bool(solver.value(variable)) for variable in taken]]] = True
    worth = int(points[chosen].sum())
    bound = worth if status == cp_model.OPTIMAL else round(solver.best_objective_bound)
    return Found(chosen, worth, max(bound, worth))
