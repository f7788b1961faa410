"""Planes from sums of moments: of one set of cells, and of every cell with its surroundings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from rowplane.geometry import PlaneFit, plane_of_moments
from rowplane.model import Array
from rowplane.planes.grid import Grid

TILE_WINDOW_MM = 350.0
"""Standard deviation of the window: one tile or more, so that the relief cancels (attenuation exp(−2π²σ²/period²))."""


@dataclass(frozen=True)
class CellPlanes:
    """Plane through each cell's surroundings: unit `normal` `(size, 3)`, `rms` `(size,)` mm, NaN where too few points.

    `tilt_sd` is the standard deviation of a normal's direction that white scatter alone would cause, radians.
    """

    normal: Array
    rms: Array
    tilt_sd: float


def window_mm(grid: Grid) -> float:
    """Standard deviation of the Gaussian window: never under a tile, never under what twenty points need."""
    return max(TILE_WINDOW_MM, 1.4 * grid.spacing_mm, grid.box.step)


def fit_cells(grid: Grid, window: float | None = None) -> CellPlanes:
    """Orthogonal least-squares plane of every cell from moments weighted by a Gaussian about it."""
    sigma = (window or window_mm(grid)) / grid.box.step
    sums = np.stack([_blur(term, grid, sigma) for term in grid.moments])
    # The blurred count is a density per cell; times the window's area it is the number of points that took part.
    count = sums[0] * 4 * np.pi * sigma**2
    here = (count >= 6) & (_blur(np.minimum(grid.moments[0], 1.0), grid, sigma) > 0.2)
    normal, rms = np.full((grid.box.size, 3), np.nan), np.full(grid.box.size, np.nan)
    values, vectors = np.linalg.eigh(_centred(sums[:, here]))
    up = vectors[:, :, 0] * np.where(vectors[:, 2, 0] < 0, -1.0, 1.0)[:, None]
    normal[here] = up
    rms[here] = np.sqrt(np.maximum(values[:, 0], 0.0))
    spread = np.sqrt(np.maximum(values[:, 1], 1e-9))
    tilt = float(np.median(rms[here] / spread / np.sqrt(count[here]))) if here.any() else 0.0
    return CellPlanes(normal, rms, tilt)


def _blur(term: Array, grid: Grid, sigma: float) -> Array:
    image = term.reshape(grid.box.shape)
    return np.asarray(ndimage.gaussian_filter(image, sigma, mode="constant", truncate=3.0)).ravel()


def _centred(sums: Array) -> Array:
    """Second moments about the mean, divided by the count, `(m, 3, 3)`, from sums `(10, m)`."""
    n = np.maximum(sums[0], 1e-12)
    mean = sums[1:4] / n
    order = ((4, 5, 6), (5, 7, 8), (6, 8, 9))
    rows = [[sums[order[i][j]] / n - mean[i] * mean[j] for j in range(3)] for i in range(3)]
    return np.moveaxis(np.array(rows), -1, 0)


def fit_sum(moments: Array) -> PlaneFit:
    """Orthogonal plane of all points behind `moments` `(10, m)`; the centroid is about the grid's low corner."""
    total = moments.sum(axis=1)
    mean = total[1:4] / total[0]
    values, vectors = np.linalg.eigh(_centred(total[:, None])[0] * total[0])
    return plane_of_moments(mean, values, vectors, float(total[0]))


def offsets(moments: Array, fit: PlaneFit) -> tuple[Array, Array]:
    """Mean and rms distance of each cell's points from a plane, mm, from moments `(10, m)`; NaN for empty cells."""
    n = fit.normal
    d = float(n @ fit.centroid)
    count = np.where(moments[0] > 0, moments[0], np.nan)
    mean = (n @ moments[1:4]) / count - d
    quad = np.array([n[0] * n[0], 2 * n[0] * n[1], 2 * n[0] * n[2], n[1] * n[1], 2 * n[1] * n[2], n[2] * n[2]])
    square = (quad @ moments[4:10]) / count - 2 * d * (mean + d) + d * d
    return mean, np.sqrt(np.maximum(square, 0.0))
