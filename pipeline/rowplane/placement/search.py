"""From critical levels to one set of cells: the most modules in groups that are worth their rails, then a fixed order of taste.

Order: most modules, fewest separate groups, lowest front edge, fewest expansion gaps, most nearly centred in the room there is.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rowplane.model import Array
from rowplane.placement.erosion import FIT_MM, Sections
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
BATCH = 64
"""Levels looked into at once."""


@dataclass(frozen=True)
class Packing:
    """The best cells of one grid: `corners_mm` `(n, 2)` their lower left corners, u, v, kept groups only.

    `bound` is the greatest number of cells at any offset, too small groups included; `count` ≤ `bound` is the greatest
    number in groups of the size asked for (proved for aligned grids). `left_over` cells of the bound's kind at the
    chosen offset belong to groups that are too small.
    """

    corners_mm: Array
    groups: int
    count: int
    bound: int
    left_over: int


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


def best_packing(sections: Sections, grid: Grid, least: int, centre_mm: float, along_u_mm: float) -> Packing:
    """The best cells for groups of `least` modules or more; `centre_mm` is the middle of the room across.

    Groups are cells that touch side to side or one above the other. With no room the packing is empty.
    """
    nothing = Packing(np.zeros((0, 2)), 0, 0, 0, 0)
    if sections.empty:
        return nothing
    hunt = _Hunt(sections, grid, rows_of(sections, grid), critical_levels(sections, grid), least, centre_mm - along_u_mm / 2)
    best, bound = hunt.run()
    if best is None:
        return replace(nothing, bound=bound, left_over=bound)
    corners = _settled(sections, grid, hunt.rows, best, hunt.middle_mm)
    return Packing(corners, best.groups, best.count, bound, best.left_over)


class _Hunt:
    """Best first over stretches of critical levels: a stretch that cannot hold a better choice is never looked into."""

    def __init__(self, sections: Sections, grid: Grid, rows: Rows, levels: Array, least: int, middle_mm: float) -> None:
        self.sections, self.grid, self.rows, self.levels = sections, grid, rows, levels
        self.least, self.middle_mm = least, middle_mm
        self.best: _Choice | None = None
        self.bound = 0
        self._seen: dict[bytes, float] = {}

    def run(self) -> tuple[_Choice | None, int]:
        """The best choice, None where no group is large enough, and the greatest number of cells at any offset."""
        heap = [self._stretch(0, len(self.levels))]
        while heap:
            minus_most, front, begin, end = heapq.heappop(heap)
            if not self._may_win(-minus_most, front):
                # The heap's order: all that is left has the same ceiling or a lower one.
                if -minus_most < max(self.best.count if self.best else 1, 1):
                    break
                continue
            if end - begin > BATCH:
                middle = (begin + end) // 2
                for part in (self._stretch(begin, middle), self._stretch(middle, end)):
                    heapq.heappush(heap, part)
            else:
                self._look_into(begin, end)
        return self.best, self.bound

    def _stretch(self, begin: int, end: int) -> tuple[int, float, int, int]:
        most, front = ceiling(self.sections, self.grid, self.rows, float(self.levels[begin]), float(self.levels[end - 1]))
        return -most, front, begin, end

    def _may_win(self, most: int, front_mm: float) -> bool:
        """True where `most` cells with a front edge no lower than `front_mm` could rank before the best so far, or tie with it."""
        if most < 1 or self.best is None:
            return most >= 1
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
        for x in _offsets(low, high, self.grid, self.best.count if self.best else 1):
            cells = cells_at(low, high, self.rows, self.grid, x)
            mark = cells.tobytes() + (b"" if self.grid.aligned else x.tobytes())
            if self._seen.get(mark, np.inf) <= y_mm:
                continue
            self._seen[mark] = y_mm
            choice = _judged(cells, self.grid, self.rows, y_mm, x, self.least, self.middle_mm)
            if choice.count and (self.best is None or choice.rank < self.best.rank):
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
    columns, numbers = cells[:, 0] - cells[:, 0].min(), cells[:, 1] - cells[:, 1].min()
    field = np.zeros((numbers.max() + 1, columns.max() + 1), dtype=bool)
    field[numbers, columns] = True
    label, _ = ndimage.label(field)
    of_cell = label[numbers, columns]
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


def _corners(cells: Cells, grid: Grid, rows: Rows, y_mm: float, x_mm: Array) -> Array:
    place = np.searchsorted(rows.number, cells[:, 1])
    turn, step = np.divmod(cells[:, 0], len(grid.steps_u_mm))
    u = x_mm[place] + turn * grid.period_u_mm + grid.steps_u_mm[step]
    return np.column_stack([u, y_mm + rows.base_mm[place]])


def _settled(sections: Sections, grid: Grid, rows: Rows, choice: _Choice, middle_mm: float) -> Array:
    """Corners of the chosen cells moved within their freedom: front edge on a whole millimetre, then nearest to the middle.

    A tape reads whole millimetres, and off the corner of its freedom no module touches a limit by a rounding error.
    """
    raised = np.ceil(choice.front_mm - FIT_MM) - choice.front_mm
    for y in (choice.y_mm + raised, choice.y_mm):
        moved = _corners(choice.cells, grid, rows, y, choice.x_mm)
        row = choice.cells[:, 1]
        groups = [np.arange(len(moved))] if grid.aligned else [np.flatnonzero(row == n) for n in np.unique(row)]
        shifts = [_shift(sections, moved[g], middle_mm) for g in groups]
        if all(s is not None for s in shifts):
            for group, shift in zip(groups, shifts, strict=True):
                moved[group, 0] += shift
            return moved
    return _corners(choice.cells, grid, rows, choice.y_mm, choice.x_mm)


def _shift(sections: Sections, corners: Array, middle_mm: float) -> float | None:
    """The move across that brings `corners` nearest to the middle and keeps each on F; None where there is none."""
    low, high = sections.at(corners[:, 1] + FIT_MM / 100)
    free = [(-np.inf, np.inf)]
    for k in range(len(corners)):
        own = [(a - corners[k, 0], b - corners[k, 0]) for a, b in zip(low[k], high[k], strict=True) if b >= a]
        free = [(max(a, c), min(b, d)) for a, b in free for c, d in own if min(b, d) >= max(a, c) - FIT_MM]
    if not free:
        return None
    left = float(corners[:, 0].min())
    want = middle_mm - 0.5 * (left + float(corners[:, 0].max()))
    near = min(free, key=lambda f: (abs(float(np.clip(want, *f)) - want), f))
    # F is wider than the truth by FIT_MM on either side.
    inner = (near[0] + 0.999 * FIT_MM, near[1] - 0.999 * FIT_MM)
    if inner[0] > inner[1]:
        return 0.5 * (near[0] + near[1])
    shift = float(np.clip(want, *inner))
    whole = round(left + shift) - left
    return whole if inner[0] <= whole <= inner[1] else shift
