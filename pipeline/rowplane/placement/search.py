"""From critical levels to one set of cells: the most modules in groups that are worth their rails, then a fixed order of taste.

Order: most modules, fewest separate groups, lowest front edge, fewest expansion gaps, most nearly centred in the room there is.
Where rafters are known, modules that no rails could carry do not count (footing.py), as long as enough remain.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from rowplane.model import Array
from rowplane.placement.erosion import FIT_MM, Sections
from rowplane.placement.footing import Footing
from rowplane.placement.packing import (
    Grid,
    Rows,
    ceiling,
    cells_at,
    critical_levels,
    depths,
    most_cells,
    read_rows,
    rows_of,
)

Cells = NDArray[np.int64]
SAME_MM = 1e-6
"""Front edges nearer than this are equally low."""
SHARED = 0.95
"""Modules of neighbouring rows touch where their left edges are nearer than this share of a column."""
BATCH = 64
"""Levels looked into at once."""
MOST_TRIED = 24
"""Sets of cells, the largest first, of which it is asked what rails could carry; a third of it where none carries enough."""
MOST_MOVES = 250
"""Places within the freedom of a set at which that is asked."""
LEAST_HELD = 0.5
"""Share of what fits that rails must be able to carry; below it a change of hardware is the better advice (supports says which)."""


@dataclass(frozen=True)
class Packing:
    """The best cells of one grid: `corners_mm` `(n, 2)` their lower left corners, u, v, kept groups only.

    `bound` is the greatest number of cells at any offset, too small groups included; `count` ≤ `bound` is the greatest
    number in groups of the size asked for (proved for aligned grids). `left_over` cells of the bound's kind at the
    chosen offset belong to groups that are too small. `held` where rails could carry all that is kept, or nothing is known
    of rafters; n is less than `count` where some cells were given up for that, and `uncarried` are then the groups of all
    `count` cells that move together, as when none could be: their corners `(k, 2)`, and the moves along u `(m,)` that they are free to make.
    """

    corners_mm: Array
    groups: int
    count: int
    bound: int
    left_over: int
    held: bool = True
    uncarried: tuple[tuple[Array, Array], ...] = ()


@dataclass(frozen=True)
class _Choice:
    count: int
    groups: int
    front_mm: float
    parts: int
    off_centre_mm: float
    y_mm: float
    x_mm: Array
    cells: Cells
    left_over: int

    @property
    def rank(self) -> tuple[float, ...]:
        return (-self.count, self.groups, round(self.front_mm / SAME_MM), self.parts, round(self.off_centre_mm / SAME_MM))


def best_packing(
    sections: Sections, grid: Grid, least: int, centre_mm: float, along_u_mm: float,
    footing: Sequence[Footing] = (), beat: int = 0,
) -> Packing:  # fmt: skip
    """The best cells for groups of `least` modules or more; `centre_mm` is the middle of the room across.

    Groups are cells that touch side to side or one above the other. With no room the packing is empty. With `footing` the
    cells are the most found that rails can carry, LEAST_HELD of what fits or more, placed by the first footing that will do;
    where there are none, all that fit. Fewer than `beat` are not looked for.
    """
    nothing = Packing(np.zeros((0, 2)), 0, 0, 0, 0)
    if sections.empty:
        return nothing
    rows, levels, middle = rows_of(sections, grid), critical_levels(sections, grid), centre_mm - along_u_mm / 2
    best, bound = _Hunt(sections, grid, rows, levels, least, middle).run()
    if best is None:
        return replace(nothing, bound=bound, left_over=bound)

    def packing(choice: _Choice, corners: Array, held: bool = True) -> Packing:
        free = () if held and choice.count == best.count else _free_groups(sections, grid, rows, best)
        return Packing(corners, choice.groups, best.count, bound, choice.left_over, held, free)

    # What fits best, where rails can carry it; else the most that the loosest footing carries, in the safest place.
    for choice in _choices(sections, grid, rows, levels, least, middle, best, footing, beat):
        for one in footing:
            corners = _place(sections, grid, rows, choice, middle, one)
            if corners is not None:
                return packing(choice, corners)
    corners = _place(sections, grid, rows, best, middle, None)
    where_found = _corners(best.cells, grid, rows, best.y_mm, best.x_mm)
    return packing(best, where_found if corners is None else corners, held=not footing)


def _choices(
    sections: Sections, grid: Grid, rows: Rows, levels: Array, least: int, middle_mm: float, best: _Choice,
    footing: Sequence[Footing], beat: int,
) -> Iterator[_Choice]:  # fmt: skip
    yield best
    if footing:
        floor = max(least, int(np.ceil(LEAST_HELD * best.count)), beat)
        carried, _ = _Hunt(sections, grid, rows, levels, least, middle_mm, footing[-1], floor).run()
        if carried is not None:
            yield carried


class _Hunt:
    """Best first over stretches of critical levels: a stretch that cannot hold a better choice is never looked into.

    With `footing` only cells that rails can carry count, and a choice of fewer than `floor` is none.
    """

    def __init__(
        self, sections: Sections, grid: Grid, rows: Rows, levels: Array, least: int, middle_mm: float,
        footing: Footing | None = None, floor: int = 1,
    ) -> None:  # fmt: skip
        self.sections, self.grid, self.rows, self.levels = sections, grid, rows, levels
        self.least, self.middle_mm = least, middle_mm
        self.footing, self.floor = footing, floor
        self.best: _Choice | None = None
        self.bound = 0
        self.tried = 0
        self._seen: dict[bytes, float] = {}

    def run(self) -> tuple[_Choice | None, int]:
        """The best choice, None where no group is large enough, and the greatest number of cells at any offset."""
        heap = [self._stretch(0, len(self.levels))]
        while heap:
            minus_most, front, begin, end = heapq.heappop(heap)
            if not self._may_win(-minus_most, front):
                # The heap's order: all that is left has the same ceiling or a lower one.
                if -minus_most < self.beat:
                    break
                continue
            if end - begin > BATCH:
                middle = (begin + end) // 2
                for part in (self._stretch(begin, middle), self._stretch(middle, end)):
                    heapq.heappush(heap, part)
            else:
                self._look_into(begin, end)
        return self.best, self.bound

    @property
    def beat(self) -> int:
        """Cells that a choice must have to be of interest."""
        return self.best.count if self.best else self.floor

    @property
    def _tired(self) -> bool:
        return self.tried >= (MOST_TRIED if self.best else MOST_TRIED // 3)

    def _stretch(self, begin: int, end: int) -> tuple[int, float, int, int]:
        most, front = ceiling(self.sections, self.grid, self.rows, float(self.levels[begin]), float(self.levels[end - 1]))
        return -most, front, begin, end

    def _may_win(self, most: int, front_mm: float) -> bool:
        """True where `most` cells with a front edge no lower than `front_mm` could rank before the best so far, or tie with it."""
        if self._tired:
            return False
        if self.best is None:
            return most >= self.floor
        if most != self.best.count:
            return most > self.best.count
        # Ties go to fewer groups, then to the lower front.
        return self.best.groups > 1 or front_mm <= self.best.front_mm + SAME_MM

    def _look_into(self, begin: int, end: int) -> None:
        levels = self.levels[begin:end]
        most = most_cells(self.sections, self.grid, self.rows, levels)
        self.bound = max(self.bound, int(most.max(initial=0)))
        lowest = _lowest_front(self.sections, self.grid, self.rows, levels)
        for k in np.lexsort((lowest, -most)):
            if self._may_win(int(most[k]), float(lowest[k])):
                self._try_offsets(float(levels[k]))

    def _try_offsets(self, y_mm: float) -> None:
        """Every offset across at level `y_mm` that holds as many cells as the best choice so far."""
        low, high = (e[0] for e in read_rows(self.sections, self.grid, self.rows, np.array([y_mm])))
        for x in _offsets(low, high, self.grid, self.beat):
            cells = cells_at(low, high, self.rows, self.grid, x)
            mark = cells.tobytes() + (b"" if self.grid.aligned else x.tobytes())
            if self._seen.get(mark, np.inf) <= y_mm:
                continue
            self._seen[mark] = y_mm
            held, at = cells, x
            if self.footing is not None:
                if self._tired:
                    return
                self.tried += 1
                held, at = _carried(self, self.footing, cells, y_mm, x)
            if len(held) < self.beat:
                continue
            choice = _judged(held, self.grid, self.rows, y_mm, at, self.least, self.middle_mm)
            if choice.count >= self.floor and (self.best is None or choice.rank < self.best.rank):
                self.best = choice


def _lowest_front(sections: Sections, grid: Grid, rows: Rows, levels: Array) -> Array:
    """Lowest front edge that any row can have at each level; inf where no row fits."""
    low, high = read_rows(sections, grid, rows, levels)
    fits: NDArray[np.bool_] = np.any(high >= low, axis=2)
    return np.where(np.any(fits, axis=1), levels + rows.base_mm[np.argmax(fits, axis=1)], np.inf)


def _offsets(low: Array, high: Array, grid: Grid, least: int) -> Iterator[Array]:
    """Offsets across `(rows,)` at which a level with ends `low`, `high` `(rows, slots)` holds `least` cells or more.

    Where rows are not aligned there is one: each row's own best.
    """
    if grid.aligned:
        start, held = depths(low.reshape(1, -1), high.reshape(1, -1), grid.period_u_mm)
        for x in np.unique(start[held >= least]):
            yield np.full(len(low), x)
        return
    start, held = depths(low, high, grid.period_u_mm)
    start = np.where(np.isfinite(start), start, 0.0)
    yield start[np.arange(len(start)), np.argmax(held, axis=1)]


def _judged(cells: Cells, grid: Grid, rows: Rows, y_mm: float, x_mm: Array, least: int, middle_mm: float) -> _Choice:
    """The same cells without groups smaller than `least`, with what they are ranked by."""
    of_cell = _touching(cells, grid, rows, y_mm, x_mm)
    size = np.bincount(of_cell)
    keep = size[of_cell] >= least
    kept = cells[keep]
    if not len(kept):
        return _Choice(0, 0, np.inf, 0, np.inf, y_mm, x_mm, kept, len(cells))
    corners = _corners(kept, grid, rows, y_mm, x_mm)
    off = abs(0.5 * (corners[:, 0].min() + corners[:, 0].max()) - middle_mm)
    groups = len(np.unique(of_cell[keep]))
    parts = len(np.unique(kept[:, 0] // len(grid.steps_u_mm))) if len(grid.steps_u_mm) > 1 else 1
    left_over = int(len(cells) - len(kept))
    return _Choice(len(kept), groups, float(corners[:, 1].min()), parts, off, y_mm, x_mm, kept, left_over)


def _touching(cells: Cells, grid: Grid, rows: Rows, y_mm: float, x_mm: Array) -> NDArray[np.int64]:
    """Number of the group that each cell belongs to `(n,)`.

    Cells of an aligned grid touch by their numbers. Rows that stand each at their own place touch where they are above each
    other, and columns of one row may be numbered unlike those of the next.
    """
    columns, numbers = cells[:, 0] - cells[:, 0].min(), cells[:, 1] - cells[:, 1].min()
    if grid.aligned:
        field = np.zeros((numbers.max() + 1, columns.max() + 1), dtype=bool)
        field[numbers, columns] = True
        label, _ = ndimage.label(field)
        return np.asarray(label[numbers, columns], dtype=np.int64)
    u = _corners(cells, grid, rows, y_mm, x_mm)[:, 0]
    up, across = numbers[None, :] - numbers[:, None], columns[None, :] - columns[:, None]
    pitch = grid.steps_u_mm[1] if len(grid.steps_u_mm) > 1 else grid.period_u_mm
    above = (up == 1) & (np.abs(u[None, :] - u[:, None]) < SHARED * pitch)
    _, group = connected_components(coo_array(above | ((up == 0) & (across == 1))), directed=False)
    return np.asarray(group, dtype=np.int64)


def _corners(cells: Cells, grid: Grid, rows: Rows, y_mm: float, x_mm: Array) -> Array:
    place = np.searchsorted(rows.number, cells[:, 1])
    turn, step = np.divmod(cells[:, 0], len(grid.steps_u_mm))
    u = x_mm[place] + turn * grid.period_u_mm + grid.steps_u_mm[step]
    return np.column_stack([u, y_mm + rows.base_mm[place]])


def _place(
    sections: Sections, grid: Grid, rows: Rows, choice: _Choice, middle_mm: float, footing: Footing | None
) -> Array | None:
    """Corners of the chosen cells moved within their freedom: front edge on a whole millimetre, then nearest to the middle.

    A tape reads whole millimetres, and off the corner of its freedom no module touches a limit by a rounding error. With
    `footing` only where rails can carry every row. None where there is no such place.
    """
    raised = np.ceil(choice.front_mm - FIT_MM) - choice.front_mm
    for y in (choice.y_mm + raised, choice.y_mm):
        moved = _corners(choice.cells, grid, rows, y, choice.x_mm)
        groups = _movable(choice.cells, grid)
        shifts = [_shift(sections, moved[g], middle_mm, footing) for g in groups]
        if all(s is not None for s in shifts):
            for group, shift in zip(groups, shifts, strict=True):
                moved[group, 0] += shift
            return moved
    return None


def _free_groups(sections: Sections, grid: Grid, rows: Rows, choice: _Choice) -> tuple[tuple[Array, Array], ...]:
    """Corners of the chosen cells that move across together, and the moves that keep each on F, whole millimetres."""
    corners = _corners(choice.cells, grid, rows, choice.y_mm, choice.x_mm)
    groups = [corners[g] for g in _movable(choice.cells, grid)]
    return tuple((own, _whole_moves(_freedom(sections, own) or [(0.0, 0.0)], float(own[:, 0].min()))) for own in groups)


def _movable(cells: Cells, grid: Grid) -> list[NDArray[np.int64]]:
    """Cells that move across together: all of an aligned grid, else each row."""
    row = cells[:, 1]
    return [np.arange(len(cells))] if grid.aligned else [np.flatnonzero(row == n) for n in np.unique(row)]


def _freedom(sections: Sections, corners: Array) -> list[tuple[float, float]]:
    """Moves across, as intervals, that keep every corner on F; empty where there is none."""
    low, high = sections.at(corners[:, 1] + FIT_MM / 100)
    free = [(-np.inf, np.inf)]
    for k in range(len(corners)):
        own = [(a - corners[k, 0], b - corners[k, 0]) for a, b in zip(low[k], high[k], strict=True) if b >= a]
        free = [(max(a, c), min(b, d)) for a, b in free for c, d in own if min(b, d) >= max(a, c) - FIT_MM]
    return free


def _shift(sections: Sections, corners: Array, middle_mm: float, footing: Footing | None) -> float | None:
    """The move across that brings `corners` nearest to the middle and keeps each on F; None where there is none."""
    free = _freedom(sections, corners)
    if not free:
        return None
    left, want = _leftmost(corners, middle_mm)
    if footing is not None:
        whole_mm = _whole_moves(free, left)
        held = whole_mm[footing.held(corners, whole_mm)]
        return float(held[np.argmin(np.abs(held - want))]) if len(held) else None
    near = min(free, key=lambda f: (abs(float(np.clip(want, *f)) - want), f))
    # F is wider than the truth by FIT_MM on either side.
    inner = (near[0] + 0.999 * FIT_MM, near[1] - 0.999 * FIT_MM)
    if inner[0] > inner[1]:
        return 0.5 * (near[0] + near[1])
    shift = float(np.clip(want, *inner))
    whole = round(left + shift) - left
    return whole if inner[0] <= whole <= inner[1] else shift


def _leftmost(corners: Array, middle_mm: float) -> tuple[float, float]:
    """Left edge of the cells, and the move that would bring their middle to `middle_mm`."""
    left = float(corners[:, 0].min())
    return left, middle_mm - 0.5 * (left + float(corners[:, 0].max()))


def _whole_moves(free: list[tuple[float, float]], left_mm: float) -> Array:
    """Moves within `free` that bring the left edge to a whole millimetre, MOST_MOVES at most; the middle of an interval
    without one."""
    moves = []
    for low, high in free:
        inside = np.arange(np.ceil(left_mm + low + FIT_MM), np.floor(left_mm + high - FIT_MM) + 1.0) - left_mm
        moves.append(inside if len(inside) else np.array([0.5 * (low + high)]))
    every = np.concatenate(moves)
    return every[:: -(-len(every) // MOST_MOVES)]


def _carried(hunt: _Hunt, footing: Footing, cells: Cells, y_mm: float, x_mm: Array) -> tuple[Cells, Array]:
    """As many of `cells` as rails can carry within their freedom at this level, and the offsets `(rows,)` at which they can.

    A set that fills the face has no freedom: without its first or last column it may do better than with some modules less.
    """
    stays, moved = np.zeros(len(cells), dtype=bool), x_mm.copy()
    for group in _movable(cells, hunt.grid):
        column, least = cells[group, 0], hunt.least if len(group) < len(cells) else hunt.beat
        best, shift = np.zeros(0, dtype=np.int64), 0.0
        for part in (group, group[column < column.max()], group[column > column.min()]):
            if len(part) < max(least, len(best) + 1):
                break
            corners = _corners(cells[part], hunt.grid, hunt.rows, y_mm, x_mm)
            left, want = _leftmost(corners, hunt.middle_mm)
            moves = _whole_moves(_freedom(hunt.sections, corners) or [(0.0, 0.0)], left)
            move, kept = footing.carried(corners, moves, want, max(least, len(best) + 1))
            if kept.sum() > len(best):
                best, shift = part[kept], move
        stays[best] = True
        moved[np.unique(np.searchsorted(hunt.rows.number, cells[group, 1]))] += shift
    return cells[stays], moved
