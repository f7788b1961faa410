"""Random fields over the ground plan: smooth survey error, matching noise, uneven point density."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

Array = NDArray[np.float64]
KERNEL_REACH = 4.0  # the filter is cut off at this many sigmas


@dataclass(frozen=True)
class Field:
    """A stationary Gaussian field on a plan grid, read by bilinear interpolation and held beyond its border."""

    low_m: Array  # (2,)
    step_m: float
    value: Array  # (nx, ny)

    def at(self, xy_m: Array) -> Array:
        """Value at plan points (n, 2)."""
        place = ((xy_m - self.low_m) / self.step_m).T
        return map_coordinates(self.value, place, order=1, mode="nearest")


def draw_field(low_m: Array, high_m: Array, length_m: float, sd: float, rng: np.random.Generator) -> Field:
    """Field of standard deviation sd over the ensemble, autocorrelation exp(-d^2 / (2 length^2)), over a plan box.

    White noise under a Gaussian of sigma = length / sqrt(2); grid step length / 6. The sd is that of the ensemble: one
    draw of a field longer than the box has a smaller spread about its own mean.
    """
    step = length_m / 6
    sigma = length_m / np.sqrt(2) / step
    border = int(np.ceil(KERNEL_REACH * sigma))
    shape = np.ceil((high_m - low_m) / step).astype(int) + 2
    white = rng.standard_normal(tuple(shape + 2 * border))
    reach = np.arange(-border, border + 1)
    kernel = np.exp(-0.5 * (reach / sigma) ** 2)
    kernel /= kernel.sum()
    smooth = gaussian_filter(white, sigma, truncate=KERNEL_REACH)[border:-border, border:-border]
    return Field(np.asarray(low_m, float), step, sd * smooth / np.sum(kernel**2))
