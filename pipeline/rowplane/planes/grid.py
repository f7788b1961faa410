"""The cloud as moments per grid cell: what every later step works on until points are labelled."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rowplane.model import Array

CHUNK = 262_144
POINTS_PER_CELL = 5
STEP_LIMITS_MM = (200.0, 500.0)
MOST_CELLS = 4_000_000
TERMS = ("1", "x", "y", "z", "xx", "xy", "xz", "yy", "yz", "zz")


@dataclass(frozen=True)
class Box:
    """Plan window of the grid: lower corner `low` `(3,)` in the survey frame, `step` mm, `shape` cells along x and y."""

    low: Array
    step: float
    shape: tuple[int, int]

    @property
    def size(self) -> int:
        """Number of cells."""
        return self.shape[0] * self.shape[1]

    def cells(self, points: NDArray[np.floating]) -> NDArray[np.int32]:
        """Flat cell index of points `(n, 3)` or `(n, 2)`, survey frame, mm; −1 outside the window and for NaN."""
        # Plain floats keep float32 points in single precision.
        x = (points[:, 0] - float(self.low[0])) * (1 / self.step)
        y = (points[:, 1] - float(self.low[1])) * (1 / self.step)
        inside = (x >= 0) & (y >= 0) & (x < self.shape[0]) & (y < self.shape[1])
        with np.errstate(invalid="ignore"):
            flat = x.astype(np.int32) * np.int32(self.shape[1]) + y.astype(np.int32)
        if not inside.all():
            flat[~inside] = -1
        return np.asarray(flat, dtype=np.int32)

    def centres(self) -> Array:
        """Plan centres of all cells `(size, 2)` from `low`, mm."""
        x, y = np.divmod(np.arange(self.size), self.shape[1])
        return np.column_stack([x + 0.5, y + 0.5]) * self.step


@dataclass(frozen=True)
class Grid:
    """Top layer of the scan per cell: `moments` `(10, size)` of the layer's points about `box.low`, in mm.

    `bottom` and `top` `(size,)` bound the layer's z from `box.low`; `density_per_m2` is that of the better covered
    half of the scan, in plan; `floor` `(size,)` is the height under which a tenth of each cell lies.
    """

    box: Box
    moments: Array
    bottom: Array
    top: Array
    floor: Array
    density_per_m2: float

    @property
    def spacing_mm(self) -> float:
        """Mean distance between neighbouring points, mm."""
        return float(1000.0 / np.sqrt(self.density_per_m2))


def chunks(points: NDArray[np.floating]) -> Iterator[slice]:
    """Slices that keep temporary arrays in the processor's cache."""
    for start in range(0, len(points), CHUNK):
        yield slice(start, min(start + CHUNK, len(points)))


def make_grid(points: NDArray[np.floating]) -> Grid:
    """Moments of the top layer of `points` `(n, 3)`, survey frame, mm. Raises ValueError for no finite point."""
    low, high = _window(points)
    density = _density(points, low, high)
    step = float(np.clip(1000 * np.sqrt(POINTS_PER_CELL / density), *STEP_LIMITS_MM))
    span = np.maximum(high - low, 1.0)
    step = max(step, float(np.sqrt(span[0] * span[1] / MOST_CELLS)))
    # One empty row all round spares every neighbour operation a border case.
    low = low - np.array([step, step, 0.0])
    shape = (int(span[0] / step) + 3, int(span[1] / step) + 3)
    box = Box(low, step, shape)
    bottom, top, floor = _layers(points, box, float(span[2]))
    return Grid(box, _moments(points, box, bottom, top), bottom, top, floor, density)


def _window(points: NDArray[np.floating]) -> tuple[Array, Array]:
    """Corners of the box that holds the scan, without far strays."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for part in chunks(points):
        block = points[part]
        low = np.fmin(low, np.fmin.reduce(block, axis=0))
        high = np.fmax(high, np.fmax.reduce(block, axis=0))
    if not np.isfinite(low).all():
        raise ValueError("no finite point")
    return _trim(points, low.astype(float), high.astype(float))


def _trim(points: NDArray[np.floating], low: Array, high: Array) -> tuple[Array, Array]:
    """Cut empty stretches between the bulk of the scan and single stray points, axis by axis."""
    bins = 256
    for axis in range(3):
        width = max(float(high[axis] - low[axis]), 1.0) / bins
        count = np.zeros(bins + 1, dtype=np.int64)
        for part in chunks(points):
            place = (points[part, axis] - low[axis]) * (1 / width)
            count += np.bincount(place[np.isfinite(place)].astype(np.int32), minlength=bins + 1)[: bins + 1]
        total = np.cumsum(count)
        first = int(np.searchsorted(total, 5e-4 * total[-1]))
        last = int(np.searchsorted(total, (1 - 5e-4) * total[-1]))
        margin = (last - first + 1) // 8 + 1
        low[axis], high[axis] = (
            low[axis] + max(first - margin, 0) * width,
            min(float(high[axis]), low[axis] + (last + 1 + margin) * width),
        )
    return low, high


def _density(points: NDArray[np.floating], low: Array, high: Array) -> float:
    """Points per square metre of plan: upper quartile over the covered square metres."""
    span = np.maximum(high - low, 1.0)
    step = max(1000.0, float(np.sqrt(span[0] * span[1] / MOST_CELLS)))
    box = Box(low, step, (int(span[0] / step) + 1, int(span[1] / step) + 1))
    count = np.zeros(box.size + 1, dtype=np.int64)
    for part in chunks(points):
        count += np.bincount(box.cells(points[part]) + 1, minlength=box.size + 1)
    seen = count[1:][count[1:] > 0]
    return max(float(np.percentile(seen, 75)) * 1e6 / step**2, 0.5)


def _layers(points: NDArray[np.floating], box: Box, height: float) -> tuple[Array, Array, Array]:
    """z limits of the top layer per cell, and its floor: the highest run of bins that holds a fair share of the cell.

    A run is deep enough for a 65° slope across one cell. Leaves, birds and masts over the roof hold too few points.
    """
    run = 6
    thick = (2.2 * box.step + 100.0) / (run - 1)
    bins = int(height / thick) + 2
    count = np.zeros(box.size * bins, dtype=np.int32)
    for part in chunks(points):
        cell, place = _bins(points[part], box, thick, bins)
        count += np.bincount(cell * bins + place, minlength=box.size * bins).astype(np.int32)
    table = count.reshape(box.size, bins)
    total = np.cumsum(np.pad(table, ((0, 0), (run, 0))), axis=1, dtype=np.int32)
    held = total[:, run:] - total[:, :-run]  # points in the run whose highest bin is k
    every = total[:, -1]
    fair = held >= np.maximum(0.15 * every, 1)[:, None]
    highest = bins - 1 - np.argmax(fair[:, ::-1], axis=1)
    # The first run that is full enough may hold only the upper rim of the layer: slide down to where it holds most.
    slide = highest[:, None] - np.arange(run)[None, :]
    full = np.where(slide >= 0, np.take_along_axis(held, np.maximum(slide, 0), axis=1), -1)
    best = highest - np.argmax(full, axis=1)
    empty = every == 0
    bottom = np.where(empty, np.inf, (best - run + 1) * thick)
    top = np.where(empty, -np.inf, (best + 1) * thick)
    low = total[:, run:] >= np.maximum(0.1 * every, 1)[:, None]  # strays below the ground are few
    floor = np.where(empty, np.inf, np.argmax(low, axis=1) * thick)
    return bottom, top, floor


def _bins(block: NDArray[np.floating], box: Box, thick: float, bins: int) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    cell = box.cells(block)
    z = (block[:, 2] - box.low[2]) * (1 / thick)
    keep = (cell >= 0) & (z >= 0) & (z < bins)
    return cell[keep].astype(np.int64), z[keep].astype(np.int32)


def _moments(points: NDArray[np.floating], box: Box, bottom: Array, top: Array) -> Array:
    """Ten sums over the layer's points per cell, TERMS, about `box.low`."""
    sums = np.zeros((10, box.size))
    low, high = bottom.astype(np.float32), top.astype(np.float32)
    for part in chunks(points):
        block = points[part]
        cell = box.cells(block)
        z = (block[:, 2] - box.low[2]).astype(np.float32)
        keep = (cell >= 0) & (z >= low[cell]) & (z < high[cell])
        cell, x, y, z = cell[keep], block[keep, 0] - box.low[0], block[keep, 1] - box.low[1], z[keep]
        x, y, z = x.astype(float), y.astype(float), z.astype(float)
        for k, term in enumerate((None, x, y, z, x * x, x * y, x * z, y * y, y * z, z * z)):
            sums[k] += np.bincount(cell, term, minlength=box.size)
    return sums
