"""The most modules that an aligned grid can hold: every distinct offset is tried, so the count is a proof, not a search.

A set of grid cells is held by the offsets in an intersection of shifted copies of F (erosion.py), a closed set. Its lowest
point is a corner of a copy, or the point where the left side of one copy and the right side of another part upwards. So
it is enough to look just above those levels, and there only where an interval begins: every largest set of cells is met.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rowplane.model import Array
from rowplane.placement.erosion import Sections

NUDGE_MM = 1e-8
"""How far above a critical level the grid is read: by then the level's own cells have opened, by less than FIT_MM."""
TOUCH_MM = 1e-7
"""Interval ends nearer than this touch."""
SLACK_MM = 1e-5
"""Bounds are taken wider by this, so that rounding cannot make them too low."""
ROUNDING = 1e-10
"""Of a period: an interval that begins at the offset itself holds its cell."""
CHUNK = 400_000
"""Interval ends handled at once; bounds memory, changes nothing else."""


@dataclass(frozen=True)
class Grid:
    """Where cells stand from the offset: at `steps_u_mm` within every `period_u_mm`, the same up the slope.

    A plain grid has one step, 0, and the pitch as its period; expansion gaps make a period of several steps. With
    `aligned` False every row has its own offset across, within the same rows.
    """

    period_u_mm: float
    steps_u_mm: Array
    period_v_mm: float
    steps_v_mm: Array
    aligned: bool = True


@dataclass(frozen=True)
class Rows:
    """Rows that F can meet: `base_mm` `(rows,)` from the offset, `number` `(rows,)` with one number left out at each gap."""

    base_mm: Array
    number: NDArray[np.int64]


def rows_of(sections: Sections, grid: Grid) -> Rows:
    """All rows of the grid that meet F for some offset from 0 to a period."""
    first = int(np.floor(sections.levels[0] / grid.period_v_mm)) - 1
    last = int(np.ceil(sections.levels[-1] / grid.period_v_mm))
    turn = np.arange(first, last + 1)
    count = len(grid.steps_v_mm)
    base = (turn[:, None] * grid.period_v_mm + grid.steps_v_mm[None, :]).ravel()
    stride = count if count == 1 else count + 1
    return Rows(base, (turn[:, None] * stride + np.arange(count)[None, :]).ravel())


def critical_levels(sections: Sections, grid: Grid) -> Array:
    """Every offset up the slope, 0 ≤ y < period, just above which the best set of cells may change, ascending."""
    period = grid.period_v_mm
    base = rows_of(sections, grid).base_mm
    apart = np.unique(np.round(base[None, :] - base[:, None], 6)) if grid.aligned else np.zeros(1)
    height = sections.levels[-1] - sections.levels[0]
    found = [sections.levels]
    found += [_partings(sections, grid, float(d)) for d in apart if abs(d) <= height]
    levels = (np.concatenate(found)[:, None] - grid.steps_v_mm[None, :]).ravel() % period
    return np.unique(np.round(levels, 9) % period)


def _partings(sections: Sections, grid: Grid, up_mm: float) -> Array:
    """Levels t where a left side at t and a right side at t + `up_mm` part upwards, whole columns between them."""
    left, right = sections.lefts[:, None, :], sections.rights[None, :, :]
    low = np.maximum(left[..., 0], right[..., 0] - up_mm)
    high = np.minimum(left[..., 1], right[..., 1] - up_mm)
    opening = right[..., 3] - left[..., 3]
    room = (low <= high) & (opening > 0)
    first = right[..., 2] + right[..., 3] * (low + up_mm - right[..., 0]) - left[..., 2] - left[..., 3] * (low - left[..., 0])
    low, high, opening, first = low[room], high[room], opening[room], first[room]
    last = first + opening * (high - low)
    steps = grid.steps_u_mm
    found = []
    for step in np.unique(np.round((steps[None, :] - steps[:, None]) % grid.period_u_mm, 6)):
        from_turn = np.ceil((first - step - TOUCH_MM) / grid.period_u_mm)
        count = np.maximum(np.floor((last - step + TOUCH_MM) / grid.period_u_mm) - from_turn + 1, 0).astype(int)
        which = np.repeat(np.arange(len(count)), count)
        turn = from_turn[which] + np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
        t = low[which] + (turn * grid.period_u_mm + step - first[which]) / opening[which]
        found.append(np.clip(t, low[which], high[which]))
    return np.concatenate(found)


def read_rows(sections: Sections, grid: Grid, rows: Rows, y_mm: Array) -> tuple[Array, Array]:
    """Interval ends `(offsets, rows, slots)` of each row at offsets `y_mm`, one slot per interval and step across."""
    low, high = sections.at(y_mm[:, None] + rows.base_mm[None, :] + NUDGE_MM)
    shape = (*low.shape[:2], -1)
    steps = grid.steps_u_mm
    return (low[..., None] - steps).reshape(shape) - TOUCH_MM / 2, (high[..., None] - steps).reshape(shape) + TOUCH_MM / 2


def depths(low: Array, high: Array, period_mm: float) -> tuple[Array, Array]:
    """How many cells each offset across holds, read where intervals begin.

    `low`, `high` `(n, m)` interval ends → offsets across `(n, m)` in 0…period (inf for an empty interval) and the cells
    held there `(n, m)`. Whole periods in an interval count everywhere; the rest is an arc that may run past the period.
    """
    real = high >= low
    low, high = np.where(real, low, 0.0), np.where(real, high, 0.0)
    whole = np.floor((high - low) / period_mm)
    start = np.where(real, low % period_mm, np.inf)
    end = np.where(real, low % period_mm + (high - low) - whole * period_mm, np.inf)
    wraps = real & (end >= period_mm)
    end = np.where(wraps, end - period_mm, end)
    count = low.shape[1]
    order = np.argsort(np.concatenate([start, end], axis=1), axis=1, kind="stable")
    change = np.concatenate([real.astype(np.int64), -real.astype(np.int64)], axis=1)
    running = np.cumsum(np.take_along_axis(change, order, axis=1), axis=1)
    back = np.empty_like(running)
    np.put_along_axis(back, order, running, axis=1)
    always = (whole.sum(axis=1) + wraps.sum(axis=1))[:, None]
    held = np.where(real, back[:, :count] + always, 0)
    # Starts that coincide are counted one after another; the last of them has met all, and stands for the place.
    return start, held.astype(np.int64)


def most_cells(sections: Sections, grid: Grid, rows: Rows, y_mm: Array) -> NDArray[np.int64]:
    """Greatest number of cells at each offset `y_mm` `(n,)` up the slope, over all offsets across."""
    best = []
    size = max(1, CHUNK // max(1, len(rows.base_mm) * max(1, sections.left.shape[1]) * len(grid.steps_u_mm)))
    for begin in range(0, len(y_mm), size):
        low, high = read_rows(sections, grid, rows, y_mm[begin : begin + size])
        if grid.aligned:
            low, high = low.reshape(len(low), -1), high.reshape(len(high), -1)
            best.append(depths(low, high, grid.period_u_mm)[1].max(axis=1, initial=0))
        else:
            flat = low.reshape(-1, low.shape[2]), high.reshape(-1, high.shape[2])
            best.append(depths(*flat, grid.period_u_mm)[1].max(axis=1, initial=0).reshape(low.shape[:2]).sum(axis=1))
    return np.concatenate(best) if best else np.zeros(0, dtype=np.int64)


def ceiling(sections: Sections, grid: Grid, rows: Rows, from_mm: float, to_mm: float) -> tuple[int, float]:
    """What no offset from `from_mm` to `to_mm` up the slope can exceed: cells held, and the lowest front edge it can have.

    Each row is taken as all it meets between the two levels at once. Front inf where no row meets anything.
    """
    start, end = rows.base_mm + from_mm, rows.base_mm + to_mm + 2 * NUDGE_MM
    last = len(sections.levels) - 2
    first_band = np.searchsorted(sections.levels, start, side="right") - 1
    last_band = np.searchsorted(sections.levels, end, side="right") - 1
    meets = (last_band >= 0) & (first_band <= last)
    first_band, last_band = np.clip(first_band, 0, last), np.clip(last_band, 0, last)
    count = np.where(meets, last_band - first_band + 1, 0)
    row = np.repeat(np.arange(len(count)), count)
    band = first_band[row] + np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    t = np.clip(np.stack([start[row], end[row]]), sections.levels[band], sections.levels[band + 1])[..., None]
    low = (sections.left[band, :, 1] + sections.left[band, :, 2] * (t - sections.left[band, :, 0])).min(axis=0)
    high = (sections.right[band, :, 1] + sections.right[band, :, 2] * (t - sections.right[band, :, 0])).max(axis=0)
    real = high >= low
    if not real.any():
        return 0, np.inf
    owner = np.broadcast_to(row[:, None], low.shape)[real]
    low, high = low[real] - SLACK_MM, high[real] + SLACK_MM
    order = np.lexsort((low, owner))
    owner, low, high = owner[order], low[order], high[order]
    # One number line for all rows, laid end to end, so that touching intervals of a row merge in one pass.
    away = owner * (2.0 * (float(np.abs([low, high]).max()) + grid.period_u_mm))
    reach = np.maximum.accumulate(high + away)
    begins = np.concatenate([[True], (low + away)[1:] > reach[:-1]])
    group = np.cumsum(begins) - 1
    merged_low, merged_owner = low[begins], owner[begins]
    merged_high = np.full(len(merged_low), -np.inf)
    np.maximum.at(merged_high, group, high)
    spread = (merged_low[:, None] - grid.steps_u_mm).ravel(), (merged_high[:, None] - grid.steps_u_mm).ravel()
    front = float((np.maximum(start[merged_owner], sections.levels[0])).min())
    if grid.aligned:
        return int(depths(spread[0][None, :], spread[1][None, :], grid.period_u_mm)[1].max()), front
    owners = np.repeat(merged_owner, len(grid.steps_u_mm))
    each = [
        depths(spread[0][None, owners == k], spread[1][None, owners == k], grid.period_u_mm)[1].max() for k in np.unique(owners)
    ]
    return int(sum(each)), front


def cells_at(low: Array, high: Array, rows: Rows, grid: Grid, x_mm: Array) -> Any:
    """Cells held at one offset: `low`, `high` `(rows, slots)`, `x_mm` `(rows,)` → `(n, 2)` column and row numbers."""
    steps = len(grid.steps_u_mm)
    first = np.ceil((low - x_mm[:, None]) / grid.period_u_mm - ROUNDING)
    last = np.floor((high - x_mm[:, None]) / grid.period_u_mm + ROUNDING)
    row, slot = np.nonzero(last >= first)
    begin, count = first[row, slot].astype(int), (last - first)[row, slot].astype(int) + 1
    which = np.repeat(np.arange(len(row)), count)
    turn = begin[which] + np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    cells = np.column_stack([turn * steps + slot[which] % steps, rows.number[row[which]]])
    return cells[np.lexsort((cells[:, 0], cells[:, 1]))]
