"""The array plane as a linear or integer program, its goals met one after the other and each proved (HiGHS)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from rowplane.model import Array

SLACK = 1e-6
"""How far a goal already met may give way to the next one, mm or count: above the solver's own tolerance, below any rule."""


MOST_PLACES = 100
"""Feet and hooks up to which packers at hooks are weighed too: beyond it the first node of the search alone takes minutes,
with packers at feet only a second."""


MOST_TOGETHER = 24
"""Feet and hooks up to which all packers stay open while the later goals are met: beyond it that costs ten seconds to win a few
tenths of a millimetre, so hooks, or feet where hooks take none, keep the packers that the fewest-packers goal gave them."""


@dataclass(frozen=True)
class Task:
    """One array's plane problem; the plane is `x` `(p,)`: height at the array's middle, rise over half its extent in u, in v.

    What follows in `x`, if anything, are folds between rows of modules, for which one plane is given up only where it fails.
    `feet` `(f, p)` plane rows of free feet with rail tops `rail` `(f,)` and `influence` `(f, h)` of packers at hooks `(h = 0`
    where hooks stay as they are). `low`, `high` travel, `middle` its middle. `crowns` `(c, p)` rows that must be at least
    `floor` `(c,)`; `corners` `(k, p)` rows at most `ceiling`. `held` `(s, p)` rows of feet already set, with seats `held_seat`.
    `lower`, `upper` `(p,)` bounds of x. `packers` and `pieces`: every packer height there is and the pieces it takes.
    """

    feet: Array
    rail: Array
    influence: Array
    low: float
    high: float
    middle: float
    crowns: Array
    floor: Array
    corners: Array
    ceiling: float
    held: Array
    held_seat: Array
    lower: Array
    upper: Array
    packers: Array
    pieces: Array


@dataclass(frozen=True)
class Answer:
    """What the program chose: plane `x`, `foot_packer` `(f,)`, `hook_packer` `(h,)`, `shortfall` `(f,)` and the goals.

    `given_way` is by how much clearance and greatest height had to give way, `held_miss` the greatest distance of a set
    foot's seat from the plane. `goals` of (name, value, proved bound), in their order.
    """

    x: Array
    foot_packer: Array
    hook_packer: Array
    shortfall: Array
    given_way: float
    held_miss: float
    goals: tuple[tuple[str, float, float], ...]


def solve(task: Task) -> Answer:
    """Best plane: set feet missed least; within travel; fewest packers; smallest greatest adjustment; least turning.

    Adjustment is lift minus mid-travel, turning the sum of its sizes. Packers stand at feet, and at hooks where that is cheaper
    (up to MOST_PLACES of both; in larger arrays the bound still counts what hooks might save). They come in only where travel
    alone fails, folds between rows only where packers fail too, and feet fall short only where nothing else is left: then the
    total shortfall is made smallest first. Beyond MOST_TOGETHER the goals after the packers, and their bounds, are those of the
    packers chosen with them. Where clearance and greatest height exclude each other both give way by the same smallest amount.
    Always answers: the tilt bounds alone can be kept.
    """
    plane = _unfolded(task)
    answer = _within(plane)
    if answer is None and plane is not task:
        answer = _within(task)
    return _fallen_short(plane) if answer is None else answer


def reachable(task: Task) -> bool:
    """Whether some plane suits every free foot within travel and packers; no goal is met beyond the first."""
    frame = _Frame(_unfolded(task))
    _first(frame, "way")
    if len(task.held):
        _first(frame, "miss")
    if _keeps(frame, task.low, task.high):
        return True
    # No search where packers of any height, everywhere at once, would not do either.
    tallest = float(np.max(task.packers, initial=0.0))
    up, down = np.maximum(task.influence, 0).sum(axis=1), np.minimum(task.influence, 0).sum(axis=1)
    if not _keeps(frame, task.low + tallest * down, task.high + tallest * (1 + up)):
        return False
    return _in_turn(_packed(frame, False), ("packers",), 0.0, 0.0) is not None


def _keeps(frame: _Frame, low: Array | float, high: Array | float) -> bool:
    """Whether some plane within the frame's limits has every free foot's lift between `low` and `high`."""
    task = frame.task
    feet = np.hstack([task.feet, np.zeros((len(task.feet), 2))])
    rows, rhs = np.vstack([frame.rows, feet, -feet]), np.concatenate([frame.rhs, task.rail + high, -task.rail - low])
    bounds = [*zip(task.lower, task.upper, strict=True), (0.0, frame.way), (0.0, frame.miss)]
    return bool(linprog(np.zeros(rows.shape[1]), rows, rhs, bounds=bounds, method="highs").status == 0)


def _unfolded(task: Task) -> Task:
    """The task with every fold held flat; itself where it has none."""
    if len(task.upper) == 3:
        return task
    return replace(task, lower=_flat(task.lower), upper=_flat(task.upper))


def _flat(bounds: Array) -> Array:
    return np.concatenate([bounds[:3], np.zeros(len(bounds) - 3)])


def _within(task: Task) -> Answer | None:
    """The best plane within travel, with packers where it must be; None where no plane is."""
    frame = _Frame(task)
    given_way = _first(frame, "way")
    held_miss = _first(frame, "miss") if len(task.held) else 0.0
    plain = _Columns(frame, with_packers=False, may_fall_short=False)
    if (answer := _in_turn(plain, ("greatest adjustment", "total turning"), given_way, held_miss)) is not None:
        return answer
    goals = ("packers", "greatest adjustment", "total turning")
    answer = _in_turn(_packed(frame, False), goals, given_way, held_miss)
    return None if answer is None else _bounded_by_hooks(frame, answer)


def _fallen_short(task: Task) -> Answer:
    frame = _Frame(task)
    given_way = _first(frame, "way")
    held_miss = _first(frame, "miss") if len(task.held) else 0.0
    goals = ("shortfall", "packers", "greatest adjustment", "total turning")
    answer = _in_turn(_packed(frame, True), goals, given_way, held_miss)
    if answer is None:
        # The search gave up on the packers; without them the program is linear and always has an answer.
        bare = _Columns(frame, with_packers=False, may_fall_short=True)
        answer = _in_turn(bare, ("shortfall", "greatest adjustment", "total turning"), given_way, held_miss)
    if answer is None:
        raise ArithmeticError("the array plane with shortfall allowed has no solution")
    return _bounded_by_hooks(frame, answer)


def _large(task: Task) -> bool:
    return task.influence.shape[1] > 0 and sum(task.influence.shape) > MOST_PLACES


def _packed(frame: _Frame, may_fall_short: bool) -> _Columns:
    """Packers at feet and hooks, or in a large array at feet alone."""
    return _Columns(frame, with_packers=True, may_fall_short=may_fall_short, with_hooks=not _large(frame.task))


def _bounded_by_hooks(frame: _Frame, answer: Answer) -> Answer:
    """In a large array, the first goal's bound with packers at hooks too: of the program without whole numbers."""
    if not _large(frame.task):
        return answer
    (name, value, _), *rest = answer.goals
    whole = _Columns(frame, with_packers=True, may_fall_short=name == "shortfall")
    least = float(linprog(whole.cost(name), whole.rows, whole.rhs, bounds=whole.bounds, method="highs").fun)
    bound = float(np.ceil(least - 1e-6)) if name == "packers" else least
    return replace(answer, hook_packer=np.zeros(frame.task.influence.shape[1]), goals=((name, value, bound), *rest))


class _Frame:
    """Limits of the plane that have nothing to do with travel, over x, way and miss (p + 2 columns)."""

    def __init__(self, task: Task) -> None:
        self.task = task
        keep = _upper_hull(task.crowns, task.floor)
        rows, rhs = [np.zeros((0, len(task.upper) + 2))], [np.zeros(0)]

        def at_most(plane: Array, way: float, miss: float, limit: Array) -> None:
            extra = np.tile([way, miss], (len(plane), 1))
            rows.append(np.hstack([plane, extra]))
            rhs.append(limit)

        at_most(-task.crowns[keep], -1.0, 0.0, -task.floor[keep])
        at_most(task.corners, -1.0, 0.0, np.full(len(task.corners), task.ceiling))
        at_most(task.held, 0.0, -1.0, task.held_seat)
        at_most(-task.held, 0.0, -1.0, -task.held_seat)
        self.rows, self.rhs = np.vstack(rows), np.concatenate(rhs)
        self.way = self.miss = 0.0


def _first(frame: _Frame, what: str) -> float:
    """Smallest `way` (all else free) or, with that held, smallest `miss`; kept in the frame for what follows."""
    cost = np.zeros(len(frame.task.upper) + 2)
    cost[-2 if what == "way" else -1] = 1.0
    bounds = [*zip(frame.task.lower, frame.task.upper, strict=True), (0, None if what == "way" else frame.way), (0, None)]
    result = linprog(cost, frame.rows, frame.rhs, bounds=bounds, method="highs", options={"presolve": True})
    if result.status != 0:
        raise ArithmeticError(f"the plane's own limits have no solution: {result.message}")
    # Below a thousandth of a millimetre it is the solver's rounding, not a limit that gave way.
    value = float(result.fun) if result.fun > 1e-3 else 0.0
    setattr(frame, what, value + SLACK if value or what == "miss" else 0.0)
    return value


class _Columns:
    """Columns x(p) | way | miss | t | a(f) | s(f) | packers at feet (f·k) | packers at hooks (h·k), and the rows over them."""

    def __init__(self, frame: _Frame, with_packers: bool, may_fall_short: bool, with_hooks: bool = True) -> None:
        task = frame.task if with_hooks else replace(frame.task, influence=frame.task.influence[:, :0])
        self.task = task
        f, h = task.influence.shape
        k = len(task.packers) if with_packers else 0
        self.f, self.h, self.k, self.t = f, h, k, len(task.upper) + 2
        self.a = self.t + 1
        self.s, self.zf, self.zh = self.a + f, self.a + 2 * f, self.a + 2 * f + f * k
        self.n = self.zh + h * k
        self.lift = self._lift_rows()
        self.bounds = [*zip(task.lower, task.upper, strict=True), (0.0, frame.way), (0.0, frame.miss), (0.0, None)]
        self.bounds += [(0.0, None)] * f + [(0.0, None if may_fall_short else 0.0)] * f + [(0.0, 1.0)] * ((f + h) * k)
        self.integrality = np.concatenate([np.zeros(self.zf), np.ones(self.n - self.zf)])
        self.rows, self.rhs = self._rows(frame)

    def _lift_rows(self) -> sparse.csr_array:
        """lift = these rows · y − rail."""
        task, f, k = self.task, self.f, self.k
        blocks = [sparse.csr_array(task.feet), sparse.csr_array((f, 3 + 2 * f))]
        if k:
            blocks.append(sparse.csr_array(sparse.kron(sparse.eye_array(f), -task.packers[None, :])))
            if self.h:
                blocks.append(sparse.csr_array(np.kron(task.influence, -task.packers[None, :])))
        return sparse.csr_array(sparse.hstack(blocks))

    def _rows(self, frame: _Frame) -> tuple[sparse.csr_array, Array]:
        task, f, k = self.task, self.f, self.k
        each = np.arange(f)
        short = sparse.csr_array((np.ones(f), (each, self.s + each)), shape=(f, self.n))
        size = sparse.csr_array((np.ones(f), (each, self.a + each)), shape=(f, self.n))
        most = sparse.csr_array((np.ones(f), (each, np.full(f, self.t))), shape=(f, self.n))
        rail, ones = task.rail, np.ones(f)
        fixed = sparse.csr_array(sparse.hstack([sparse.csr_array(frame.rows), sparse.csr_array((len(frame.rows), self.n - self.t))]))
        rows = [fixed, self.lift - short, -self.lift - short]
        rhs = [frame.rhs, task.high * ones + rail, -task.low * ones - rail]
        for bound in (most, size):
            rows += [self.lift - bound, -self.lift - bound]
            rhs += [task.middle * ones + rail, -task.middle * ones - rail]
        if k:
            one_each = sparse.kron(sparse.eye_array(f + self.h), np.ones((1, k)))
            rows.append(sparse.csr_array(sparse.hstack([sparse.csr_array((f + self.h, self.zf)), one_each])))
            rhs.append(np.ones(f + self.h))
        return sparse.csr_array(sparse.vstack(rows)), np.concatenate(rhs)

    def cost(self, goal: str) -> Array:
        """The goal as a row over all columns."""
        cost = np.zeros(self.n)
        if goal == "greatest adjustment":
            cost[self.t] = 1.0
        elif goal == "total turning":
            cost[self.a : self.s] = 1.0
        elif goal == "shortfall":
            cost[self.s : self.zf] = 1.0
        else:
            cost[self.zf :] = np.tile(self.task.pieces, self.f + self.h)
        return cost


def _in_turn(columns: _Columns, goals: tuple[str, ...], given_way: float, held_miss: float) -> Answer | None:
    """Meet the goals one after the other, each kept while the next is met; None where no plane keeps travel."""
    rows, rhs = columns.rows, columns.rhs
    met: list[tuple[str, float, float]] = []
    bounds, integrality = columns.bounds, columns.integrality
    y = np.zeros(columns.n)
    for goal in goals:
        cost = columns.cost(goal)
        whole = integrality if integrality.any() else None
        if whole is None:
            result = linprog(cost, rows, rhs, bounds=bounds, method="highs")
        else:
            result = _whole(cost, rows, rhs, bounds, whole)
        if result.x is None and not met:
            return None
        if result.x is None and whole is None:
            raise ArithmeticError(f"{goal}: a goal met could not be kept: {result.message}")
        # A search that gave up without a better answer leaves the one that met the goal before; the bound says so.
        y = y if result.x is None else result.x
        value = float(np.round(cost @ y)) if goal == "packers" else float(cost @ y)
        met.append((goal, value, 0.0 if result.x is None else _bound(result, rhs, bounds, whole is not None)))
        rows = sparse.csr_array(sparse.vstack([rows, sparse.csr_array(cost[None, :])]))
        rhs = np.append(rhs, value + SLACK)
        if goal == "packers" and columns.f + columns.h > MOST_TOGETHER:
            held = columns.zh if columns.h else columns.zf
            bounds = [*bounds[:held], *((x, x) for x in np.round(y[held:]).tolist())]
    return _answer(columns, y, tuple(met), given_way, held_miss)


WORK = 200_000
"""Columns times nodes that a search over packers may take. Nodes, not seconds, so that every machine gives one answer; what
is not proved by then shows as a gap between value and bound."""


def _whole(cost: Array, rows: sparse.csr_array, rhs: Array, bounds: list[tuple[float, float | None]], whole: Array) -> Any:
    low = [b[0] for b in bounds]
    high = [np.inf if b[1] is None else b[1] for b in bounds]
    options = {"mip_rel_gap": 0.0, "node_limit": max(100, WORK // len(cost))}
    limits = LinearConstraint(rows, -np.inf, rhs)
    return milp(cost, constraints=limits, bounds=Bounds(low, high), integrality=whole, options=options)


def _bound(result: object, rhs: Array, bounds: list[tuple[float, float | None]], integer: bool) -> float:
    """Proved lower bound of the goal: the search tree's, or for a linear program the value of its dual solution."""
    if integer:
        return float(result.mip_dual_bound)  # type: ignore[attr-defined]
    low = np.array([b[0] for b in bounds], dtype=float)
    high = np.array([np.inf if b[1] is None else b[1] for b in bounds], dtype=float)
    dual = float(result.ineqlin.marginals @ rhs)  # type: ignore[attr-defined]
    below, above = result.lower.marginals, result.upper.marginals  # type: ignore[attr-defined]
    dual += float(np.sum(below[below != 0] * low[below != 0])) + float(np.sum(above[above != 0] * high[above != 0]))
    return dual


def _answer(
    columns: _Columns, y: Array, met: tuple[tuple[str, float, float], ...], given_way: float, held_miss: float
) -> Answer:
    task, f, h, k = columns.task, columns.f, columns.h, columns.k
    foot = np.round(y[columns.zf : columns.zh]).reshape(f, k) @ task.packers[:k] if k else np.zeros(f)
    hook = np.round(y[columns.zh :]).reshape(h, k) @ task.packers[:k] if k else np.zeros(h)
    short = y[columns.s : columns.zf]
    return Answer(y[: columns.t - 2], foot, hook, np.where(short > 1e-5, short, 0.0), given_way, held_miss, met)


def _upper_hull(rows: Array, floor: Array) -> NDArray[np.int64]:
    """Indices of the clearance points that can bind: those on the upper hull of the crowns."""
    from scipy.spatial import ConvexHull, QhullError

    if len(floor) < 5 or rows.shape[1] > 3:
        return np.arange(len(floor), dtype=np.int64)
    try:
        hull = ConvexHull(np.column_stack([rows[:, 1:], floor]))
    except QhullError:
        return np.arange(len(floor), dtype=np.int64)  # all on one plane or line: nothing to leave out
    return np.unique(hull.simplices[hull.equations[:, 2] > -1e-12]).astype(np.int64)
