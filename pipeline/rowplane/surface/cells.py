"""From points to one value per tile: everything after this costs by the area of the face, not by its points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rowplane.model import Array
from rowplane.surface.field import averaged
from rowplane.surface.grid import CELL_MM, Grid
from rowplane.surface.relief import Relief, robust_sd
from rowplane.surface.strips import Strip

PARTS = (4, 3)
"""Parts of a tile, up the slope and across, that are judged by themselves: moss and caps cover part of a tile."""
CHUNK = 1 << 17
"""Points worked on at a time: their dozen columns stay in the processor's cache, which makes this twice as fast."""
MOST_OFF, WHOLE = 0.5, 0.75
FEWEST_LOST = 3
FEWEST_SEEN, FEWEST_TILES = 6, 30
NEAR_MM2 = 1.0, 4.0
"""Variance that is expected of the error which neighbours share, and its spread (assumed): a sparse scan cannot tell."""


@dataclass(frozen=True)
class Cells:
    """One value per tile (or per square cell without a pattern).

    `uv` `(n, 2)` middle of the points, `height` `(n,)` mean of point minus relief, `count` of points behind it, `tile`
    `(n, 2)` running course and column, `tiles` how many tiles stand behind the value, `noise_mm` scatter of a point within its part, `near_mm`
    sd of what errs alike over a hand's breadth; `off` the parts kept out:
    `(m, 4)` of course, column (both running, at the part's middle), height over the neighbourhood, 1 where the whole tile is.
    `left_out` counts points: gross errors, on parts that stand off, in strips along the edges.
    """

    uv: Array
    height: Array
    count: Array
    tile: NDArray[np.int64]
    tiles: Array
    noise_mm: float
    near_mm: float
    off: Array
    left_out: tuple[int, int, int]

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
    return Grid(CELL_MM, CELL_MM, 0.0, 0.0, columns=False)


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


@dataclass(frozen=True)
class Rough:
    """What points are judged by: a rough substrate per tile `(courses, columns)`, the distance from it that no sound point
    exceeds, and the strips along the edges that are no tiles."""

    expected: Array
    limit_mm: float
    strips: tuple[Strip, ...]


def drawn(n: int, most: int) -> NDArray[np.int64]:
    """At most `most` of `n` points, one from each of as many equal stretches: a plain stride falls in step with a raster."""
    if n <= most:
        return np.arange(n)
    return ((np.arange(most) + np.random.default_rng(0).random(most)) * (n / most)).astype(np.int64)


def tile_values(
    grid: Grid, relief: Relief | None, uvw: Array, box: tuple[float, float, float, float], rough: Rough | None = None
) -> Cells:
    """Values of all tiles of the rectangle `box` from points `(n, 3)`, those that `rough` tells off left out."""
    parts = TileParts(grid, box)
    sums, in_strips = np.zeros((7, parts.size)), 0
    for start in range(0, len(uvw), CHUNK):
        u, v, rest, index = over_relief(parts, relief, uvw[start : start + CHUNK])
        if rough is not None:
            stripped = np.zeros(len(u), dtype=bool)
            for strip in rough.strips:
                stripped |= strip.holds(u, v)
            in_strips += int(stripped.sum())
            gross = np.abs(rest - rough.expected.reshape(-1)[parts.tile(index)]) > rough.limit_mm
            gross &= ~stripped
            sums[5] += np.bincount(index[gross], minlength=parts.size)
            sums[6] += np.bincount(index[gross], weights=rest[gross], minlength=parts.size)
            keep = ~(gross | stripped)
            u, v, rest, index = u[keep], v[keep], rest[keep], index[keep]
        for k, x in enumerate((np.ones(len(u)), rest, rest * rest, u, v)):
            sums[k] += np.bincount(index, weights=x, minlength=parts.size)
    return _judge(parts, sums, rough, in_strips)


def over_relief(parts: TileParts, relief: Relief | None, uvw: Array) -> tuple[Array, Array, Array, NDArray[np.int64]]:
    """u, v, height over the tile's own relief and number of the part, of points `(n, 3)`."""
    u, v, w = uvw.T
    column, course = parts.grid.column(u, v), parts.grid.course(u, v)
    return u, v, w if relief is None else w - relief.at(column, course), parts.index(column, course)


def _judge(parts: TileParts, sums: Array, rough: Rough | None, in_strips: int) -> Cells:
    count, total, square, u, v, lost, lost_total = (parts.per_tile(x) for x in sums)
    seen = count > 0
    mean = np.where(seen, total / np.maximum(count, 1), 0.0)
    inside = np.maximum(square - count * mean**2, 0.0)
    many = count.sum() - seen.sum()
    noise = float(np.sqrt(inside.sum() / many)) if many > 20 else robust_sd(mean[seen])
    off = np.zeros(count.shape, dtype=bool)
    if rough is not None:
        away = mean - rough.expected[:, :, None]
        scatter = robust_sd(away[seen & (count >= np.median(count[seen]))]) if seen.any() else 1.0
        # What parts of tiles scatter by beyond their point noise: seating, and the slope of the substrate in a tile.
        own = max(scatter**2 - noise**2 / max(float(np.median(count[seen])), 1.0), 1.0) if seen.any() else 1.0
        off = seen & (np.abs(away) > 4.0 * np.sqrt(own + noise**2 / np.maximum(count, 1)))
        # Where most of a tile is gone, what is left of it is what a hole or a moss cushion has spared by chance.
        gone = (lost + count * off).sum(2) > MOST_OFF * (lost + count).sum(2)
        off |= seen & gone[:, :, None]
    good = count * ~off
    n = good.sum(2)
    k, j = np.nonzero(n > 0)
    n = n[k, j]
    mean_u, mean_v, height = ((x * ~off).sum(2)[k, j] / n for x in (u, v, total))
    tile = np.column_stack([k + parts.first[0], j + parts.first[1]])
    shown = np.zeros((0, 4))
    if rough is not None:
        every = count + lost
        drawn_off = (off | ((lost >= FEWEST_LOST) & (lost > count)) | gone[:, :, None]) & (every > 0)
        shown = _parts_off(parts, drawn_off, (total + lost_total) / np.maximum(every, 1) - rough.expected[:, :, None])
    left_out = (int(lost.sum()), int((count * off).sum()), in_strips)
    middle = np.column_stack([mean_u, mean_v])
    near = 0.0 if rough is None else _near(parts.grid, count, mean, inside, off)
    return Cells(middle, height, n, tile, np.ones(len(n)), noise, near, shown, left_out)


def _near(grid: Grid, count: Array, mean: Array, inside: Array, off: NDArray[np.bool_]) -> float:
    """Standard deviation of the error that the parts of a tile share with those beside them, by what they scatter in excess.

    `count`, `mean` and `inside` (sum of squares within) `(courses, columns, parts)`. What all tiles have alike is relief, and
    a plane over a tile may be the substrate's: both are taken off. Of what is left point noise explains so much, by part,
    since it is greater on steep flanks; the rest is compared with what an error of sd 1 would leave, and weighed against
    what is expected. 0 where few tiles are seen.
    """
    count = count * ~off
    seen = (count > 0).sum(axis=2) >= FEWEST_SEEN
    if seen.sum() < FEWEST_TILES:
        return 0.0
    n, mean, inside = count[seen], mean[seen], inside[seen]
    noise = inside.sum(axis=0) / np.maximum(np.maximum(n - 1, 0).sum(axis=0), 1)
    x = mean - (n * mean).sum(axis=0) / np.maximum(n.sum(axis=0), 1)
    v, u = (a.ravel() for a in np.mgrid[0 : PARTS[0], 0 : PARTS[1]].astype(float))
    sides = (grid.cover_mm / PARTS[1], grid.gauge_mm / PARTS[0])
    shared = averaged((u[:, None] - u) * sides[0], sides[0]) * averaged((v[:, None] - v) * sides[1], sides[1])
    plane = np.column_stack([np.ones(len(u)), u, v])
    weight = n / (n + 3.0)  # a part of one point says little, and one of a hundred no more than its noise allows
    weighted = weight[:, :, None] * plane
    rest = -weighted @ np.linalg.pinv(plane.T @ weighted, hermitian=True) @ weighted.transpose(0, 2, 1)
    rest[:, range(len(u)), range(len(u))] += weight
    own, unit = noise / np.maximum(n, 1), np.einsum("tij,ij->", rest, shared)
    excess = (np.einsum("ti,tij,tj->", x, rest, x) - np.einsum("tii,ti->", rest, own)) / unit
    doubt = 2 * np.einsum("tij,tij,ti,tj->", rest, rest, own, own) / unit**2
    expected, spread = NEAR_MM2
    return float(np.sqrt(max((excess * spread**2 + expected * doubt) / (spread**2 + doubt), 0.0)))


def _parts_off(parts: TileParts, off: NDArray[np.bool_], away: Array) -> Array:
    k, j, p = np.nonzero(off)
    course = k + parts.first[0] + (p // PARTS[1] + 0.5) / PARTS[0]
    column = j + parts.first[1] + (p % PARTS[1] + 0.5) / PARTS[1]
    # Of a tile most of whose parts stand off alike, the tile itself does not lie as it should.
    alike = off & (np.abs(away) > 0.5 * np.abs(np.median(away, axis=2, keepdims=True)))
    whole = alike.sum(2) >= WHOLE * off.shape[2]
    return np.column_stack([course, column, away[k, j, p], whole[k, j]])


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
