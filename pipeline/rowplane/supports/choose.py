"""The integer program of the rails: the smallest set that holds every module, then the most even of those."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_matrix, vstack

from rowplane.columns import Column
from rowplane.model import Array
from rowplane.supports.grid import Chain, Grid, zones_meet

EVEN_ENOUGH = {"mip_rel_gap": 0.01, "node_limit": 200}
"""Evenness is for the eye: within a percent, and not at the price of minutes on long ragged arrays. Nodes, not seconds,
so that a slow machine gives the same rails."""
ANY_SET = {"mip_rel_gap": 0.0, "node_limit": 20}
"""A set that is hard to find counts as none while a cure is looked for: the next looser limits have an easier one."""
MOST_STEPS = 6000
"""Beyond this many steps from foot to foot the first set found stands: its count is proved, its evenness is not sought."""

RAIL_WEIGHT = 1000.0
"""Rails first, hooks second: no array has a rail with as many hooks as this."""
TIGHT_WEIGHT = 0.4
"""Of one hook, for all rails together that stand at the end of their hooks' reach."""


@dataclass(frozen=True)
class Limits:
    """What a set of rails must keep: foot spacing, free module past the outer foot, feet that hold a module, zones, reach."""

    spacing_mm: float
    overhang_mm: float
    feet: int
    zones: bool
    reach_mm: float

    @property
    def per_edge(self) -> int:
        """Feet on each of the two held edges of a module."""
        return math.ceil(self.feet / 2)


@dataclass(frozen=True)
class Option:
    """A rail that could be built: column (index) over the rows `first`…`last` with the fewest hooks it needs."""

    column: int
    first: int
    last: int
    hooks: int


@dataclass(frozen=True)
class Choice:
    """The chosen options and the proved least number of rails and hooks (the program is solved to optimality)."""

    options: tuple[Option, ...]
    rails: int
    hooks: int


class _Rows:
    """Collects the rows of a sparse constraint matrix."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.value: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def add(self, columns: Sequence[int], low: float, high: float, values: Sequence[float] | None = None) -> None:
        self.row += [len(self.low)] * len(columns)
        self.column += columns
        self.value += values if values is not None else [1.0] * len(columns)
        self.low.append(low)
        self.high.append(high)

    def constraint(self, width: int) -> LinearConstraint:
        matrix = coo_matrix((self.value, (self.row, self.column)), shape=(len(self.low), width)).tocsr()
        return LinearConstraint(matrix, self.low, self.high)


def choose_rails(
    grid: Grid,
    columns: Sequence[Column],
    options: Sequence[Option],
    limits: Limits,
    aim: Literal["any", "fewest", "even"] = "even",
) -> Choice | None:
    """Fewest rails, then fewest hooks, then fewest at the end of their reach, then (to be even) the most even; or any set.

    None where none will do.

    An overhang longer than the spacing is no set of limits that makes sense, and gives None too.

    Evenness is the least sum over all rows of squared foot distances and row-end overhangs, each as a share of its limit.
    Rails and hooks are solved to proved optimality (HiGHS), evenness to EVEN_ENOUGH.
    """
    if not options or limits.overhang_mm > limits.spacing_mm:
        return None
    rows = _hold_all(grid, columns, options, limits)
    if rows is None:
        return None
    program = rows.constraint(len(options))
    cost = np.array([RAIL_WEIGHT + o.hooks for o in options])
    tight = np.array([_tight(columns[o.column], limits.reach_mm) for o in options])
    # All rails together may not weigh as much as one hook.
    weighed = cost + TIGHT_WEIGHT / len({columns[o.column].place or o.column for o in options}) * tight
    solved = milp(
        np.zeros(len(options)) if aim == "any" else weighed, constraints=program, bounds=Bounds(0, 1),
        integrality=np.ones(len(options)), options=ANY_SET if aim == "any" else {"mip_rel_gap": 0.0},
    )  # fmt: skip
    if solved.x is None:
        return None
    chosen = np.flatnonzero(solved.x > 0.5)
    if aim == "even":
        useful = _at_no_more(weighed, program, float(solved.fun), chosen)
        few = [options[int(k)] for k in useful]
        chosen = useful[_most_even(grid, columns, few, limits, (cost[useful], tight[useful]), np.searchsorted(useful, chosen))]
    picked = tuple(options[int(k)] for k in chosen)
    return Choice(picked, len(picked), sum(o.hooks for o in picked))


def _at_no_more(price: Array, program: LinearConstraint, best: float, chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """Options that a set at the price of `best` can hold, `chosen` among them, ascending.

    An option's reduced cost, in the same program without whole numbers, is what a set that holds it costs at least more than
    that program's optimum: where that is beyond `best`, evenness need not look at it.
    """
    asks, allows = np.isfinite(program.lb), np.isfinite(program.ub)
    solved = linprog(
        price, vstack([-program.A[asks], program.A[allows]]), np.concatenate([-program.lb[asks], program.ub[allows]]), bounds=(0, 1)
    )
    if solved.status != 0:
        return np.arange(len(price))
    return np.union1d(np.flatnonzero(solved.lower.marginals <= best - solved.fun + 1e-3), chosen)


def members_of(chain: Chain, columns: Sequence[Column], options: Sequence[Option]) -> dict[int, list[int]]:
    """Options by column that serve a chain, columns left to right."""
    found: dict[int, list[int]] = {}
    for k, option in enumerate(options):
        if option.first <= chain.row <= option.last and chain.start_mm <= columns[option.column].u_mm <= chain.end_mm:
            found.setdefault(option.column, []).append(k)
    return dict(sorted(found.items()))


@dataclass(frozen=True)
class _Chains:
    """`times` chains of modules at the same places in u that the same options serve: `members` by column, left to right."""

    chain: Chain
    members: dict[int, list[int]]
    times: int


def _distinct(grid: Grid, columns: Sequence[Column], options: Sequence[Option]) -> list[_Chains]:
    """Chains that ask for different things: rows alike under the same rails ask once."""
    found: dict[tuple[object, ...], _Chains] = {}
    for chain in grid.chains:
        members = members_of(chain, columns, options)
        lefts = (round(m.rect_mm[0], 3) for m in chain.modules)
        key = (*lefts, *((j, *own) for j, own in members.items()))
        found[key] = _Chains(chain, members, 1 + (found[key].times if key in found else 0))
    return list(found.values())


def _hold_all(grid: Grid, columns: Sequence[Column], options: Sequence[Option], limits: Limits) -> _Rows | None:
    """Constraints of the whole array; None where some stretch of a chain has no candidate at all."""
    rows = _Rows()
    for one in _distinct(grid, columns, options):
        if not _hold_chain(rows, grid, one, columns, limits):
            return None
    _keep_apart(rows, columns, options, 2.0 * grid.half_foot_mm)
    return rows


def _hold_chain(rows: _Rows, grid: Grid, one: _Chains, columns: Sequence[Column], limits: Limits) -> bool:
    """Constraints of one chain; False where some stretch has no candidate at all.

    With an overhang no longer than the spacing, feet that follow one another are within the spacing exactly if every
    stretch of that length behind a candidate holds a foot, as long as one must follow at all; the ends likewise.
    """
    chain = one.chain
    spots = [(columns[j].u_mm, found) for j, found in one.members.items()]
    stretches = [(chain.start_mm, chain.start_mm + limits.overhang_mm, 1), (chain.end_mm - limits.overhang_mm, chain.end_mm, 1)]
    last = chain.end_mm - limits.overhang_mm
    stretches += [(u + 1e-3, u + limits.spacing_mm, 1) for u in sorted({u for u, _ in spots}) if u < last]
    half, (inner, outer) = grid.half_foot_mm, grid.zone_mm
    # A foot on the joint holds the corners of both modules.
    near = inner if inner > 0 else 1e-3 - half
    for module in chain.modules:
        left, _, right, _ = module.rect_mm
        stretches.append((left - half + 1e-3, right + half - 1e-3, limits.per_edge))
        if limits.zones and limits.per_edge > 1 and not zones_meet(grid):
            stretches += [(left + near, left + outer, 1), (right - outer, right - near, 1)]
    for low, high, least in stretches:
        inside = [k for u, found in spots if low - 1e-6 <= u <= high + 1e-6 for k in found]
        if len(inside) < least:
            return False
        rows.add(inside, least, np.inf)
    return True


def _keep_apart(rows: _Rows, columns: Sequence[Column], options: Sequence[Option], apart_mm: float) -> None:
    """One rail per rafter (or pan, or foot's width) on every line: two plates do not fit on one rafter in one course."""
    lines = sorted({line for o in options for line in range(o.first - 1, o.last + 1)})
    for line in lines:
        on_line = [k for k, o in enumerate(options) if o.first - 1 <= line <= o.last]
        places: dict[str, list[int]] = {}
        for k in on_line:
            places.setdefault(columns[options[k].column].place, []).append(k)
        free = places.pop("", [])
        for group in places.values():
            rows.add(group, 0, 1)
        for low in sorted({columns[options[k].column].u_mm for k in free}):
            rows.add([k for k in free if low <= columns[options[k].column].u_mm < low + apart_mm - 1e-6], 0, 1)


def _most_even(
    grid: Grid, columns: Sequence[Column], options: Sequence[Option], limits: Limits,
    costs: tuple[Array, Array], fallback: NDArray[np.int64],
) -> NDArray[np.int64]:  # fmt: skip
    """The most even set that costs no more than `fallback`: in every chain a path from foot to foot, priced by its squared steps."""
    width = len(options)
    price = [1e-6 * abs(c.u_mm - c.rafter.u_mm) if c.rafter else 0.0 for c in (columns[o.column] for o in options)]
    paths = _Rows()
    for one in _distinct(grid, columns, options):
        members = one.members
        into: dict[int, list[int]] = {j: [] for j in members}
        out: dict[int, list[int]] = {j: [] for j in members}
        starts: list[int] = []
        for tail, head, share in _arcs(one.chain, columns, members, limits, 2.0 * grid.half_foot_mm):
            arc = width + len(price) - len(options)
            price.append(one.times * share**2)
            (starts if tail is None else out[tail]).append(arc)
            if head is not None:
                into[head].append(arc)
        paths.add(starts, 1, 1)
        for j, found in members.items():
            for arcs in (into[j], out[j]):
                paths.add([*arcs, *found], 0, 0, [1.0] * len(arcs) + [-1.0] * len(found))
    for cost, slack in zip(costs, (0.5, 1e-6), strict=True):
        paths.add(list(range(width)), -np.inf, float(cost[fallback].sum()) + slack, list(cost))
    total, rows = len(price), _hold_all(grid, columns, options, limits)
    if total > MOST_STEPS or rows is None:
        return fallback
    whole = np.zeros(total)
    whole[:width] = 1
    solved = milp(
        np.array(price), constraints=[rows.constraint(total), paths.constraint(total)], bounds=Bounds(0, 1),
        integrality=whole, options=EVEN_ENOUGH,
    )  # fmt: skip
    return fallback if solved.x is None else np.flatnonzero(solved.x[:width] > 0.5)


def _tight(column: Column, reach_mm: float) -> float:
    """How much of its rafter's tolerance a hook in this column cannot make good, 0 to 1."""
    if column.rafter is None:
        return 0.0
    room = reach_mm - abs(column.u_mm - column.rafter.u_mm)
    return min(1.0, max(0.0, column.rafter.tolerance_mm - room) / max(column.rafter.tolerance_mm, 1.0))


def _arcs(
    chain: Chain, columns: Sequence[Column], members: dict[int, list[int]], limits: Limits, apart_mm: float
) -> list[tuple[int | None, int | None, float]]:
    """Steps (from, to, share of its limit) of a chain's path; None is the chain's end."""
    spots = [(j, columns[j].u_mm) for j in members]
    arcs: list[tuple[int | None, int | None, float]] = []
    over = max(limits.overhang_mm, 1e-6)
    for k, (j, u) in enumerate(spots):
        if u - chain.start_mm <= limits.overhang_mm + 1e-6:
            arcs.append((None, j, (u - chain.start_mm) / over))
        if chain.end_mm - u <= limits.overhang_mm + 1e-6:
            arcs.append((j, None, (chain.end_mm - u) / over))
        for i, ahead in spots[k + 1 :]:
            if ahead - u > limits.spacing_mm + 1e-6:
                break
            if ahead - u >= apart_mm - 1e-6:
                arcs.append((j, i, (ahead - u) / limits.spacing_mm))
    return arcs
