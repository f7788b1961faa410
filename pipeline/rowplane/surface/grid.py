"""The laid tile grid: how courses and columns repeat over a face, found from the scan alone.

A grid turns a place (u, v) into running counts: `column` is whole on every left border of a tile column, `course` on
every nose line. Both come from the two-dimensional spectrum of the detrended points and are then refined by least
squares on the repeating relief.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from rowplane.model import Array

BIN_MM = 20.0
WINDOW_MM = 14_000.0
"""The spectrum is taken over at most this much of a face: further, a drifting gauge would wash its peaks out."""
TREND_MM = 400.0
CELL_MM = 300.0
"""Width of a cell where tiles do not show how wide they are."""
COLUMN_RANGE_MM = (110.0, 480.0)
COURSE_RANGE_MM = (110.0, 480.0)
LEAN = 0.03
"""Greatest lean of columns or noses that is looked for, mm per mm."""
PEAK_OVER_FLOOR = 14.0
"""A peak of white noise exceeds this multiple of the mean power about once in 10⁶ frequencies (power is exponential)."""
THREE_OVER_FLOOR = 30.0
"""The same for the sum of three harmonics, each the greatest of some ten leans: a narrow rib spreads over them all."""
SEAT_WAVE_MM = 600.0
"""Seating differs from tile to tile, so that its own waves are longer than a tile both ways: two gauges and more."""
HARMONICS, SUM_OVER_USUAL = 6, 22.0
"""A low rib is sought in the sum of so many harmonics, each over the noise at its own frequency, which seating makes greater
for long waves than for short. Over the median of all periods that sum reached 20 in 50 faces of flat tiles without a rib, seated by 2 mm."""


@dataclass(frozen=True)
class Grid:
    """Counts of columns and courses at (u, v), mm. `drift_mm` is the change of gauge per course.

    With `columns` False only courses were seen, and `cover_mm` is the width of a cell, no tile's.
    """

    cover_mm: float
    gauge_mm: float
    u0_mm: float
    v0_mm: float
    skew: float = 0.0
    tilt: float = 0.0
    drift_mm: float = 0.0
    columns: bool = True

    def column(self, u_mm: Array, v_mm: Array) -> Array:
        """Running column count `(n,)`."""
        return np.asarray((u_mm - self.u0_mm - self.skew * v_mm) / self.cover_mm)

    def course(self, u_mm: Array, v_mm: Array) -> Array:
        """Running course count `(n,)`: the inverse of v0 + x·gauge + x(x − 1)/2·drift, along the noses' tilt."""
        y = v_mm - self.v0_mm - self.tilt * u_mm
        b = self.gauge_mm - self.drift_mm / 2
        root = np.sqrt(np.maximum(b * b + 2 * self.drift_mm * y, (0.1 * b) ** 2))
        return np.asarray(2 * y / (b + root))

    def place(self, column: Array, course: Array) -> tuple[Array, Array]:
        """(u, v) of running counts: the inverse of the two above."""
        y = course * self.gauge_mm + 0.5 * course * (course - 1) * self.drift_mm
        a = self.u0_mm + column * self.cover_mm
        u = (a + self.skew * (self.v0_mm + y)) / (1 - self.skew * self.tilt)
        return np.asarray(u), np.asarray(self.v0_mm + y + self.tilt * u)


def detrend(u: Array, v: Array, w: Array, step: float = 100.0, sigma: float = TREND_MM) -> Array:
    """w without its local mean under a Gaussian window far wider than a tile; gross errors pulled in."""
    i, j, shape = _cells(u, v, step)
    flat = i * shape[1] + j
    size = shape[0] * shape[1]
    count = np.bincount(flat, minlength=size).reshape(shape).astype(float)
    total = np.bincount(flat, weights=w, minlength=size).reshape(shape)
    seen = count > 0
    # Each cell counts alike, so that dense places do not pull the trend.
    value = ndimage.gaussian_filter(np.where(seen, total / np.maximum(count, 1), 0.0), sigma / step)
    weight = ndimage.gaussian_filter(seen.astype(float), sigma / step)
    rest = w - (value / np.maximum(weight, 1e-9))[i, j]
    low, middle, high = np.percentile(rest, [2, 50, 98])
    reach = 1.5 * max(high - middle, middle - low, 1.0)
    return np.asarray(np.clip(rest - middle, -reach, reach))


def _cells(u: Array, v: Array, step: float) -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[int, int]]:
    i = ((u - u.min()) / step).astype(np.int64)
    j = ((v - v.min()) / step).astype(np.int64)
    return i, j, (int(i.max()) + 1, int(j.max()) + 1)


def find_grid(
    u: Array, v: Array, w: Array, cover_hint: float | None, gauge_hint: float | None
) -> tuple[Grid | None, float, float]:
    """Grid of detrended points `(n,)`, or None, with how far both peaks stand over the noise (1 = at the limit).

    The returned grid is rough (about a bin of the spectrum) and its u0, v0 are arbitrary: relief.py settles them. A hint
    narrows the search to within 8 % of itself. Courses without columns (flat tiles) are a grid too; columns without
    courses (ribs of a sheet roof) are none.
    """
    near = _densest_window(u, v)
    u, v, w = u[near], v[near], w[near]
    across = _peak(u, v, w, _range(COLUMN_RANGE_MM, cover_hint))
    cover, skew, column_power = across or (CELL_MM, 0.0, 0.0)
    rest = w - _fold_mean((u - skew * v) / cover, w, 32) if across else w
    up = _peak(v, u, rest, _range(COURSE_RANGE_MM, gauge_hint))
    if up is None:
        return None, column_power, 0.0
    gauge, tilt, course_power = up
    return Grid(cover, gauge, 0.0, 0.0, skew, tilt, columns=across is not None), column_power, course_power


def _range(allowed: tuple[float, float], hint: float | None) -> tuple[float, float]:
    return allowed if hint is None else (0.92 * hint, 1.08 * hint)


def _densest_window(u: Array, v: Array) -> NDArray[np.bool_]:
    """Points in the window of at most WINDOW_MM square round the median."""
    keep = np.ones(len(u), dtype=bool)
    for x in (u, v):
        if np.ptp(x) > WINDOW_MM:
            middle = float(np.clip(np.median(x), x.min() + WINDOW_MM / 2, x.max() - WINDOW_MM / 2))
            keep &= np.abs(x - middle) <= WINDOW_MM / 2
    return keep


def _fold_mean(phase: Array, w: Array, bins: int) -> Array:
    k = (np.mod(phase, 1.0) * bins).astype(np.int64) % bins
    mean = np.bincount(k, weights=w, minlength=bins) / np.maximum(np.bincount(k, minlength=bins), 1)
    return np.asarray(mean[k])


def _peak(x: Array, y: Array, w: Array, allowed: tuple[float, float]) -> tuple[float, float, float] | None:
    """Period along x, lean of its ridges against y, and power over the limit; None where nothing stands out.

    Ridges x − lean·y = constant have their peak at (f, −lean·f). The spectrum is that of the points themselves (sums per
    bin), so uneven density costs power but moves no peak.
    """
    power, fx, fy = _spectrum(x, y, w)
    lean = -fy[None, :] / np.maximum(fx[:, None], 1e-12)
    # One line of frequencies to each side is always looked at, or a short face would have none but y = 0.
    near = (np.abs(lean) <= LEAN) | (np.abs(fy)[None, :] <= 1.01 * fy[1])
    ridge = np.where(near, power, 0.0)
    inside = (fx >= 1 / allowed[1]) & (fx <= 1 / allowed[0])
    if not inside.any():
        return None
    lines = (fx >= 1 / 600.0) & (fx <= 1 / 90.0)
    floor = float(np.median(power[lines][:, ~near[lines].any(axis=0)])) / np.log(2) if (~near[lines].any(axis=0)).any() else 0.0
    score = ridge[:, :].max(axis=1)
    harmonic = np.sum([np.interp(fx * h, fx, score, right=0.0) for h in (1, 2, 3)], axis=0)
    best = int(np.argmax(np.where(inside, harmonic, 0.0)))
    usual = np.fmax(_usual(np.where(near, np.nan, power)), _usual(np.where(near | (np.abs(fy) > 1 / SEAT_WAVE_MM), np.nan, power)))
    noise = max(floor, float(np.nan_to_num(usual[best])), 1e-12)
    height = max(float(score[best]) / PEAK_OVER_FLOOR, float(harmonic[best]) / THREE_OVER_FLOOR) / noise
    best = _fundamental(best, fx, score, inside, floor)
    if height < 1.0:
        return _low_rib(ridge, usual, fx, fy, allowed)
    column = int(np.argmax(ridge[best]))
    return 1 / float(_vertex(fx, score, best)), -float(fy[column] / fx[best]), height


def _usual(noise: Array) -> Array:
    """Mean power `(nx,)` of noise at each frequency and those near it; NaN where nothing is off the ridges."""
    known = np.flatnonzero(~np.isnan(noise).all(axis=1))
    if not len(known):
        return np.full(len(noise), np.nan)
    # A filter would lose its way among gaps: they are bridged for it and left open after it.
    whole = np.interp(np.arange(len(noise)), known, np.nanmedian(noise[known], axis=1) / np.log(2))
    usual = np.full(len(noise), np.nan)
    usual[known] = ndimage.median_filter(whole, 31, mode="nearest")[known]
    return usual


def _low_rib(ridge: Array, usual: Array, fx: Array, fy: Array, allowed: tuple[float, float]) -> tuple[float, float, float] | None:
    """The same from many harmonics, each measured by the noise `usual` `(nx,)` at its own frequency."""
    if np.isnan(usual).any():
        return None
    over = ridge.max(axis=1) / np.maximum(usual, 1e-12)
    step = fx[1] - fx[0]
    # The last harmonic moves that many times as fast as the first: candidates lie so much closer.
    f = np.arange(1 / allowed[1], 1 / allowed[0], step / HARMONICS)
    total = np.sum([np.interp(f * h, fx, over, right=0.0) for h in range(1, HARMONICS + 1)], axis=0)
    best = int(np.argmax(total))
    half = int(np.argmin(np.abs(f - 2 * f[best])))
    # Twice the period has every second harmonic of it.
    best = half if f[best] * 2 <= f[-1] and total[half] > 0.8 * total[best] else best
    height = float(total[best] - np.median(total)) / SUM_OVER_USUAL
    if height < 1.0:
        return None
    rows = np.clip(np.round(f[best] * np.arange(1, HARMONICS + 1) / step).astype(int), 0, len(fx) - 1)
    row = int(rows[np.argmax(over[rows])])
    return 1 / float(f[best]), -float(fy[int(np.argmax(ridge[row]))] / fx[row]), height


def _fundamental(best: int, fx: Array, score: Array, inside: NDArray[np.bool_], floor: float) -> int:
    """The peak itself, or the half or third of its frequency where that repeats too (a tile with two or three rolls)."""
    step = fx[1] - fx[0]
    for part in (3, 2):
        k = round(float(fx[best]) / part / step)
        lines = slice(max(k - 2, 0), k + 3)
        if not inside[lines].any():
            continue
        low = int(np.argmax(np.where(inside[lines], score[lines], 0.0))) + max(k - 2, 0)
        is_peak = 2 < low < len(score) - 3 and score[low] >= score[low - 3 : low + 4].max()
        if is_peak and score[low] > max(PEAK_OVER_FLOOR * floor, 0.03 * score[best]):
            return int(low)
    return best


def _vertex(f: Array, score: Array, k: int) -> float:
    if not 0 < k < len(f) - 1:
        return float(f[k])
    a, b, c = np.sqrt(score[k - 1 : k + 2])
    bend = a - 2 * b + c
    shift = 0.0 if bend >= 0 else float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
    return float(f[k] + shift * (f[1] - f[0]))


def _spectrum(x: Array, y: Array, w: Array) -> tuple[Array, Array, Array]:
    """Power over (fx ≥ 0, fy), 1/mm, sampled four times finer than the face's extent resolves."""
    i, j, shape = _cells(x, y, BIN_MM)
    grid = np.bincount(i * shape[1] + j, weights=w, minlength=shape[0] * shape[1]).reshape(shape)
    size = (fft.next_fast_len(3 * shape[0]), fft.next_fast_len(2 * shape[1], real=True))
    # The transform along y is the real one; x carries both signs, of which the upper half is enough with y mirrored.
    values = fft.rfft2(grid, size)
    power = np.abs(values) ** 2
    half = size[0] // 2
    fx, fy = fft.fftfreq(size[0], BIN_MM)[:half], fft.rfftfreq(size[1], BIN_MM)
    keep = fy <= 1 / 60.0
    upper, fy = power[:half, keep], fy[keep]
    mirrored = power[(-np.arange(half)) % size[0]][:, keep][:, :0:-1]
    return np.hstack([upper, mirrored]), fx, np.concatenate([fy, -fy[:0:-1]])


def shifted(grid: Grid, column: float, course: float) -> Grid:
    """The same grid counted from another tile corner: its new zero lies at these running counts."""
    u0 = grid.u0_mm + column * grid.cover_mm
    v0 = grid.v0_mm + course * grid.gauge_mm + 0.5 * course * (course - 1) * grid.drift_mm
    return replace(grid, u0_mm=u0, v0_mm=v0, gauge_mm=grid.gauge_mm + course * grid.drift_mm)
