"""From points to one value per tile: everything after this costs by the area of the face, not by its points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rowplane.model import Array
from rowplane.surface.grid import Grid
from rowplane.surface.relief import CLIP, Relief, robust_sd

PARTS = (4, 3)
"""Parts of a tile, up the slope and across, that are judged by themselves: moss and caps cover part of a tile."""
CHUNK = 1 << 17
"""Points worked on at a time: their dozen columns stay in the processor's cache, which makes this twice as fast."""
PLAIN_CELL_MM = 300.0


@dataclass(frozen=True)
class Cells:
    """One value per tile (or per square cell without a pattern).

    `uv` `(n, 2)` middle of the points, `height` `(n,)` mean of point minus relief, `count` of points behind it, `tile`
    `(n, 2)` running course and column, `tiles` how many tiles stand behind the value, `noise_mm` scatter of a point within its tile; `off` the parts kept out:
    `(m, 5)` of course, column (both running, at the part's middle), height over the neighbourhood, count, share of tile.
    `dropped` counts points left out as gross errors.
    """

    uv: Array
    height: Array
    count: Array
    tile: NDArray[np.int64]
    tiles: Array
    noise_mm: float
    off: Array
    dropped: int

    @property
    def variance(self) -> Array:
        """Variance of each value by point noise alone, mm²."""
        return self.noise_mm**2 / np.maximum(self.count, 1)

    def only(self, keep: NDArray[np.bool_]) -> Cells:
        """The cells where `keep`."""
        return replace(
            self,
            uv=self.uv[keep],
            height=self.height[keep],
            count=self.count[keep],
            tile=self.tile[keep],
            tiles=self.tiles[keep],
        )


def plain_grid() -> Grid:
    """Square cells for a face without a pattern."""
    return Grid(PLAIN_CELL_MM, PLAIN_CELL_MM, 0.0, 0.0)


class TileParts:
    """Numbering per part of a tile over the rectangle of running counts that a face spans."""

    def __init__(self, grid: Grid, box: tuple[float, float, float, float]) -> None:
        corners = np.array([(u, v) for u in box[0::2] for v in box[1::2]])
        column, course = grid.column(*corners.T), grid.course(*corners.T)
        self.grid = grid
        self.first = (int(np.floor(course.min())), int(np.floor(column.min())))
        self.shape = (int(np.floor(course.max())) - self.first[0] + 1, int(np.floor(column.max())) - self.first[1] + 1)
        self.size = self.shape[0] * PARTS[0] * self.shape[1] * PARTS[1]

    def index(self, column: Array, course: Array) -> NDArray[np.int64]:
        i = np.floor((course - self.first[0]) * PARTS[0]).astype(np.int64)
        j = np.floor((column - self.first[1]) * PARTS[1]).astype(np.int64)
        i = np.clip(i, 0, self.shape[0] * PARTS[0] - 1)
        j = np.clip(j, 0, self.shape[1] * PARTS[1] - 1)
        return i * (self.shape[1] * PARTS[1]) + j

    def tile(self, index: NDArray[np.int64]) -> NDArray[np.int64]:
        """Number of the tile that a part belongs to."""
        i, j = np.divmod(index, self.shape[1] * PARTS[1])
        return np.asarray((i // PARTS[0]) * self.shape[1] + j // PARTS[1])

    def middles(self) -> Array:
        """(u, v) of the middle of every tile, `(courses · columns, 2)`."""
        k, j = np.divmod(np.arange(self.shape[0] * self.shape[1]), self.shape[1])
        return np.column_stack(self.grid.place(j + self.first[1] + 0.5, k + self.first[0] + 0.5))

    def per_tile(self, x: Array) -> Array:
        """Part values as `(courses, columns, parts)`."""
        y = x.reshape(self.shape[0], PARTS[0], self.shape[1], PARTS[1]).transpose(0, 2, 1, 3)
        return y.reshape(self.shape[0], self.shape[1], -1)


def tile_values(
    grid: Grid, relief: Relief | None, uvw: Array, expected: Array | None, box: tuple[float, float, float, float]
) -> Cells:
    """Values of all tiles from points `(n, 3)`. `expected` `(courses, columns)` is a rough substrate to judge points by."""
    parts = TileParts(grid, box)
    sums = np.zeros((6, parts.size))
    limit, dropped = np.inf, 0
    for start in range(0, len(uvw), CHUNK):
        u, v, w = uvw[start : start + CHUNK].T
        column, course = grid.column(u, v), grid.course(u, v)
        index = parts.index(column, course)
        rest = w - relief.at(column, course) if relief is not None else w.copy()
        if expected is not None:
            away = rest - expected.reshape(-1)[parts.tile(index)]
            if not np.isfinite(limit):
                limit = max(1.3 * CLIP * robust_sd(away), 12.0)
            keep = np.abs(away) <= limit
            dropped += int(len(keep) - keep.sum())
            u, v, rest, index = u[keep], v[keep], rest[keep], index[keep]
        for k, x in enumerate((np.ones(len(u)), rest, rest * rest, u, v)):
            sums[k] += np.bincount(index, weights=x, minlength=parts.size)
    return _judge(parts, sums, expected, dropped)


def _judge(parts: TileParts, sums: Array, expected: Array | None, dropped: int) -> Cells:
    count, total, square, u, v = (parts.per_tile(x) for x in sums[:5])
    seen = count > 0
    mean = np.where(seen, total / np.maximum(count, 1), 0.0)
    inside = np.maximum(square - count * mean**2, 0.0)
    many = count.sum() - seen.sum()
    noise = float(np.sqrt(inside.sum() / many)) if many > 20 else robust_sd(mean[seen])
    off = np.zeros(count.shape, dtype=bool)
    if expected is not None:
        away = mean - expected[:, :, None]
        scatter = robust_sd(away[seen & (count >= np.median(count[seen]))]) if seen.any() else 1.0
        # What parts of tiles scatter by beyond their point noise: seating, and the slope of the substrate in a tile.
        own = max(scatter**2 - noise**2 / max(float(np.median(count[seen])), 1.0), 1.0)
        off = seen & (np.abs(away) > 4.0 * np.sqrt(own + noise**2 / np.maximum(count, 1)))
    good = count * ~off
    n = good.sum(2)
    k, j = np.nonzero(n > 0)
    n = n[k, j]
    mean_u, mean_v, height = ((x * ~off).sum(2)[k, j] / n for x in (u, v, total))
    tile = np.column_stack([k + parts.first[0], j + parts.first[1]])
    return Cells(
        np.column_stack([mean_u, mean_v]),
        height,
        n,
        tile,
        np.ones(len(n)),
        noise,
        _parts_off(parts, off, mean, expected, count),
        dropped,
    )


def _parts_off(parts: TileParts, off: NDArray[np.bool_], mean: Array, expected: Array | None, count: Array) -> Array:
    if expected is None or not off.any():
        return np.zeros((0, 5))
    k, j, p = np.nonzero(off)
    course = k + parts.first[0] + (p // PARTS[1] + 0.5) / PARTS[0]
    column = j + parts.first[1] + (p % PARTS[1] + 0.5) / PARTS[1]
    return np.column_stack(
        [course, column, mean[k, j, p] - expected[k, j], count[k, j, p], np.full(len(k), 1 / (PARTS[0] * PARTS[1]))]
    )


def merged(cells: Cells, most: int) -> Cells:
    """Neighbouring tiles of a column taken together, two, three… up the slope, until at most `most` values are left.

    Up the slope, because rafters run that way: there the substrate changes least.
    """
    run = 1
    while len(cells.uv) > most:
        run += 1
        key = cells.tile - [cells.tile[:, 0].min(), cells.tile[:, 1].min()]
        number = (key[:, 0] // run) * (int(key[:, 1].max()) + 1) + key[:, 1]
        names, group = np.unique(number, return_inverse=True)
        if len(names) > most:
            continue
        return _grouped(cells, group, len(names))
    return cells


def _grouped(cells: Cells, group: NDArray[np.int64], size: int) -> Cells:
    tiles = np.bincount(group, minlength=size).astype(float)
    mean = [np.bincount(group, weights=x, minlength=size) / tiles for x in (*cells.uv.T, cells.height)]
    noise = np.bincount(group, weights=1 / np.maximum(cells.count, 1), minlength=size) / tiles**2
    first = np.full(size, len(group))
    np.minimum.at(first, group, np.arange(len(group)))
    together = np.bincount(group, weights=cells.tiles, minlength=size)
    return replace(
        cells,
        uv=np.column_stack(mean[:2]),
        height=mean[2],
        count=1 / noise,
        tile=cells.tile[first],
        tiles=together.astype(float),
    )
