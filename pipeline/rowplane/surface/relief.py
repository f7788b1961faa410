"""The repeating tile: its top over the substrate as a table, and the grid refined until the tiles fall on one another."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rowplane.model import Array
from rowplane.surface.grid import Grid, shifted

ROWS, COLUMNS = 24, 32
REFINE_STEPS = (3.0, 2.0, 1.2, 1.0, 0.8, 0.8)
"""Smoothing of the table in each refining step, table cells: coarse first, so that a rough grid finds its way."""
CLIP = 3.5
UNEVEN_SIGMAS = 5.0
DRIFT_SIGMAS = 5.0
"""Matching noise is not white, so that the stated deviation of a drift is somewhat too small."""


@dataclass(frozen=True)
class Relief:
    """Tile top over its lowest pan, mm: `table` `(ROWS, COLUMNS)`, rows from the nose up, columns from the left border.

    Values stand at the middles of equal shares of a tile. Across it repeats; at the nose it jumps and is not smoothed over.
    """

    table: Array

    def at(self, column: Array, course: Array) -> Array:
        """Height at running counts `(n,)`."""
        return lookup(self.table, column, course, wrap_rows=False)


def lookup(table: Array, column: Array, course: Array, wrap_rows: bool) -> Array:
    """Bilinear value of a one-tile table at running counts."""
    rows, columns = table.shape
    x = (column - np.floor(column)) * columns - 0.5
    y = (course - np.floor(course)) * rows - 0.5
    if not wrap_rows:
        y = np.clip(y, 0, rows - 1)
    i, j = np.floor(y).astype(np.int64), np.floor(x).astype(np.int64)
    a, b = y - i, x - j
    below, above = i % rows, (i + 1) % rows if wrap_rows else np.minimum(i + 1, rows - 1)
    left, right = j % columns, (j + 1) % columns
    low = table[below, left] * (1 - b) + table[below, right] * b
    high = table[above, left] * (1 - b) + table[above, right] * b
    return np.asarray(low * (1 - a) + high * a)


@dataclass(frozen=True)
class Tiles:
    """Tiles by running number: `index` `(n,)` of each point, `shape` (courses, columns), `first` (course, column)."""

    index: NDArray[np.int64]
    shape: tuple[int, int]
    first: tuple[int, int]

    @property
    def count(self) -> int:
        """How many tiles the rectangle of counts holds, seen or not."""
        return self.shape[0] * self.shape[1]


def tiles_of(column: Array, course: Array) -> Tiles:
    """Which tile each point lies on."""
    j, k = np.floor(column).astype(np.int64), np.floor(course).astype(np.int64)
    first = (int(k.min()), int(j.min()))
    shape = (int(k.max()) - first[0] + 1, int(j.max()) - first[1] + 1)
    return Tiles((k - first[0]) * shape[1] + j - first[1], shape, first)


def tile_means(tiles: Tiles, rest: Array, keep: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Mean of `rest` per tile (0 where none) and the count of points behind it."""
    weight = keep.astype(float)
    count = np.bincount(tiles.index, weights=weight, minlength=tiles.count)
    total = np.bincount(tiles.index, weights=weight * rest, minlength=tiles.count)
    return np.asarray(total / np.maximum(count, 1)), np.asarray(count)


def fit_relief(
    column: Array, course: Array, w: Array, shape: tuple[int, int] = (ROWS, COLUMNS), turns: int = 3
) -> tuple[Array, Array]:
    """Relief table and every point's residual after relief and its own tile's mean have been taken off, in turn.

    With the mean of each tile free, neither the substrate nor the seating of a tile can leak into the relief. Points more
    than CLIP robust sigmas off are left out after the first turn.
    """
    tiles = tiles_of(column, course)
    table, keep, offset = np.zeros(shape), np.ones(len(w), dtype=bool), np.zeros(len(w))
    rest = w
    for turn in range(turns):
        mean, _ = tile_means(tiles, w - lookup(table, column, course, False), keep)
        offset = mean[tiles.index]
        table = binned(column, course, (w - offset), keep, shape)
        rest = w - offset - lookup(table, column, course, False)
        if turn < turns - 1:
            keep = np.abs(rest) <= CLIP * robust_sd(rest)
    return table, rest


def binned(column: Array, course: Array, w: Array, keep: NDArray[np.bool_], shape: tuple[int, int]) -> Array:
    """Table of means per cell of the tile, its interaction of rows and columns shrunk as far as noise explains it."""
    rows, columns = shape
    i = ((course - np.floor(course)) * rows).astype(np.int64) % rows
    j = ((column - np.floor(column)) * columns).astype(np.int64) % columns
    cell, weight = i * columns + j, keep.astype(float)
    count: Array = np.bincount(cell, weights=weight, minlength=rows * columns).reshape(shape).astype(float)
    total = np.bincount(cell, weights=weight * w, minlength=rows * columns).reshape(shape)
    mean = total / np.maximum(count, 1)
    plain = _row_plus_column(mean, count)
    rest = np.where(count > 0, mean - plain, 0.0)
    within = np.bincount(cell, weights=weight * (w - mean[i, j]) ** 2, minlength=rows * columns).reshape(shape)
    variance = within.sum() / max(count.sum() - (count > 0).sum(), 1.0)
    signal = max(
        float(np.average(rest**2, weights=np.maximum(count, 1e-9))) - variance * (count > 0).sum() / max(count.sum(), 1.0), 0.0
    )
    share = signal / np.maximum(signal + variance / np.maximum(count, 1e-9), 1e-12)
    return np.asarray(plain + share * rest)


def _row_plus_column(mean: Array, count: Array) -> Array:
    """Weighted least-squares fit of a row profile plus a column profile."""
    row, column = np.zeros((mean.shape[0], 1)), np.zeros((1, mean.shape[1]))
    by_row, by_column = np.maximum(count.sum(1, keepdims=True), 1e-9), np.maximum(count.sum(0, keepdims=True), 1e-9)
    for _ in range(12):
        column = (count * (mean - row)).sum(0, keepdims=True) / by_column
        row = (count * (mean - column)).sum(1, keepdims=True) / by_row
    return np.asarray(row + column)


def robust_sd(x: Array) -> float:
    """Standard deviation from the median absolute deviation, never 0."""
    return max(1.4826 * float(np.median(np.abs(x - np.median(x)))), 1e-6) if len(x) else 1e-6


def refine(grid: Grid, u: Array, v: Array, w: Array, try_drift: bool) -> tuple[Grid, Array]:
    """Grid whose tiles fall on one another best, and the standard deviations of (cover, gauge), mm.

    A drift of the gauge is kept only where it stands DRIFT_SIGMAS off nothing: a drift made of noise would falsify the
    gauge of the first course.
    """
    even, sd = _settled(grid, u, v, w, False)
    if not try_drift:
        return even, sd[:2]
    drifting, own = _settled(even, u, v, w, True)
    keep = abs(drifting.drift_mm) > DRIFT_SIGMAS * own[2]
    return (drifting, own[:2]) if keep else (even, sd[:2])


def _settled(grid: Grid, u: Array, v: Array, w: Array, free_drift: bool) -> tuple[Grid, Array]:
    """Gauss-Newton on the repeating relief, which is fitted anew before every step; residuals are Huber-weighted.

    Gives the standard deviations of (cover, gauge, drift) with the grid. Without columns cover and skew stay as they are.
    """
    sd = np.full(3, np.inf)
    for smooth in REFINE_STEPS:
        column, course = grid.column(u, v), grid.course(u, v)
        table, rest = fit_relief(column, course, w, turns=2)
        soft = ndimage.gaussian_filter(table, smooth, mode="wrap")
        slope_p = (np.roll(soft, -1, 1) - np.roll(soft, 1, 1)) * COLUMNS / 2
        slope_q = (np.roll(soft, -1, 0) - np.roll(soft, 1, 0)) * ROWS / 2
        a = _design(
            grid, column, course, u, v, lookup(slope_p, column, course, True), lookup(slope_q, column, course, True), free_drift
        )
        limit = 1.5 * robust_sd(rest)
        weight = np.minimum(1.0, limit / np.maximum(np.abs(rest), 1e-9))
        step, sd = _solve(a, rest, weight)
        grid = replace(
            grid,
            cover_mm=grid.cover_mm + float(np.clip(step[0], -2, 2)),
            skew=grid.skew + float(np.clip(step[1], -0.01, 0.01)),
            gauge_mm=grid.gauge_mm + float(np.clip(step[2], -4, 4)),
            tilt=grid.tilt + float(np.clip(step[3], -0.01, 0.01)),
            drift_mm=grid.drift_mm + (float(np.clip(step[4], -0.5, 0.5)) if free_drift else 0.0),
        )
    return grid, sd


def _design(grid: Grid, column: Array, course: Array, u: Array, v: Array, slope_p: Array, slope_q: Array, drift: bool) -> Array:
    """Derivatives of the relief by cover, skew, gauge, tilt (and drift). The phases are the table's own and stay out."""
    local = grid.gauge_mm + (course - 0.5) * grid.drift_mm
    across = slope_p if grid.columns else np.zeros(len(slope_p))
    moves = [
        -across * _centred(column) / grid.cover_mm,
        -across * _centred(v) / grid.cover_mm,
        -slope_q * _centred(course) / local,
        -slope_q * _centred(u) / local,
    ]
    if drift:
        x = _centred(course)
        moves.append(-slope_q * (x * x - np.mean(x * x)) / 2 / local)
    return np.column_stack(moves)


def _centred(x: Array) -> Array:
    return x - float(np.mean(x))


def _solve(a: Array, rest: Array, weight: Array) -> tuple[Array, Array]:
    scale = np.maximum(np.sqrt(np.mean(a * a, axis=0)), 1e-12)
    b = a / scale
    normal = (b * weight[:, None]).T @ b + 1e-6 * len(rest) * np.eye(b.shape[1])
    step = np.linalg.solve(normal, (b * weight[:, None]).T @ rest) / scale
    variance = np.diag(np.linalg.inv(normal)) / scale**2 * float(np.average(rest**2, weights=weight))
    return step, np.sqrt(variance[[0, 2, -1]])


def anchor(grid: Grid, u: Array, v: Array, w: Array) -> tuple[Grid, float, float]:
    """Grid counted from nose and left border of a tile; with the course step, mm, and its share of explained scatter.

    The nose is where a straight ramp that jumps once fits the mean section up the slope best: tiles rise towards their
    nose and fall there onto the next lower course. The left border is put where the pan begins.
    """
    column, course = grid.column(u, v), grid.course(u, v)
    fine, rest = fit_relief(column, course, w, (96, 16), turns=3)
    split, step, gain = ramp_split(fine.mean(1), robust_sd(rest) ** 2 * len(fine) / len(rest))
    grid = shifted(grid, 0.0, split)
    # With tiles cut at their borders their seating is off the section, so that the second look is the sharper one.
    for _ in range(2 if grid.columns else 0):
        middle, width = pan_at(grid, u, v, w)
        grid = shifted(grid, middle - width / 2, 0.0)
    return grid, step, gain


def pan_at(grid: Grid, u: Array, v: Array, w: Array) -> tuple[float, float]:
    """Middle and width of the pan from the grid's left border, as shares of the cover width."""
    table, rest = fit_relief(grid.column(u, v), grid.course(u, v), w, (8, 96), turns=3)
    variance = robust_sd(rest) ** 2 * table.shape[1] / len(rest)
    return pan_of(quietened(table.mean(0), variance), variance)


def quietened(section: Array, variance: float) -> Array:
    """A periodic section `(n,)` with each harmonic shrunk by the share that noise of `variance` per value has in it."""
    wave = np.fft.rfft(section)
    power = np.maximum(np.abs(wave) ** 2, 1e-300)
    share = np.maximum(1 - len(section) * variance / power, 0.0)
    share[0] = 1.0
    return np.asarray(np.fft.irfft(wave * share, len(section)))


def ramp_split(section: Array, variance: float) -> tuple[float, float, float]:
    """Where a periodic section `(n,)` jumps: share of the period, height of the jump, share of its scatter explained.

    What noise of `variance` per value adds to the scatter is taken off first.
    """
    n = len(section)
    x = np.arange(n) + 0.5
    ramp = x - x.mean()
    scatter = float(np.sum((section - section.mean()) ** 2))
    total = max(scatter - n * variance, 0.3 * scatter, 1e-12)
    slopes = np.array([float(ramp @ np.roll(section, -s)) / float(ramp @ ramp) for s in range(n)])
    gain = np.where(slopes < 0, slopes**2 * float(ramp @ ramp), 0.0)
    s = int(np.argmax(gain))
    a, b, c = gain[s - 1], gain[s], gain[(s + 1) % n]
    bend = a - 2 * b + c
    shift = 0.0 if bend >= 0 else float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
    return (s + shift) / n, float(-slopes[s] * n), min(float(gain[s] / total), 1.0)


def pan_of(section: Array, variance: float = 0.0) -> tuple[float, float]:
    """Middle and width of the pan in a periodic cross-section `(n,)`, as shares of the cover width.

    The pan is the widest stretch below a tenth of the rise; by its two crossings it is found in a flat trough too. The
    width returned is taken at 15 % of the rise. Noise of `variance` per value makes a trough uneven: where that is more,
    both are taken as far above it as noise reaches.
    """
    soft = ndimage.gaussian_filter1d(section, len(section) / 96, mode="wrap")
    uneven = np.percentile(soft, 25) + UNEVEN_SIGMAS * np.sqrt(variance / (2 * np.sqrt(np.pi) * len(section) / 96))
    low, rise = float(soft.min()), float(np.ptp(soft))
    levels = [low + max(share * rise, min(uneven - low, 0.5 * rise)) for share in (0.10, 0.15)]
    return _stretch_below(soft, levels[0])[0], _stretch_below(soft, levels[1])[1]


def _stretch_below(section: Array, level: float) -> tuple[float, float]:
    n = len(section)
    top = int(np.argmax(section))
    line = np.roll(section, -top)
    low = line <= level
    edges = np.flatnonzero(np.diff(low.astype(int)))
    starts, ends = edges[low[edges + 1]], edges[~low[edges + 1]]
    if len(starts) == 0 or len(ends) == 0:
        return (top / n + 0.5) % 1.0, 0.5
    k = int(np.argmax(ends[: len(starts)] - starts[: len(ends)]))
    begin = starts[k] + (line[starts[k]] - level) / max(line[starts[k]] - line[starts[k] + 1], 1e-9)
    end = ends[k] + (level - line[ends[k]]) / max(line[ends[k] + 1] - line[ends[k]], 1e-9)
    return float(((begin + end) / 2 + 0.5 + top) / n % 1.0), float((end - begin) / n)
