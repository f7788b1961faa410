"""An error that neighbouring tiles share is found from the parts of single tiles, and is in the covariance of their values."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from rowplane.surface.cells import Rough, TileParts, tile_values
from rowplane.surface.field import NEAR_LENGTH_MM, averaged
from rowplane.surface.grid import Grid

Array = NDArray[np.float64]


@pytest.mark.parametrize("sd", [0.0, 1.5, 3.0])
def test_amplitude_is_found(sd: float) -> None:
    """Tiles that sit 2 mm up or down and lean by themselves, points with 6 mm of noise, and the shared error under them."""
    rng = np.random.default_rng(4)
    n, box, step = 60_000, (0.0, 0.0, 9000.0, 9000.0), 15.0
    u, v = rng.uniform(0, 9000, (2, n))
    grid = Grid(270.0, 340.0, 0.0, 0.0)
    sigma = NEAR_LENGTH_MM / np.sqrt(2) / step
    field = gaussian_filter(rng.standard_normal((640, 640)), sigma, mode="wrap")
    shared = sd * map_coordinates(field / field.std(), np.array([u, v]) / step, order=1)
    j, k = (np.floor(x).astype(int) for x in (grid.column(u, v), grid.course(u, v)))
    seat, lean = rng.normal(0, 2, (40, 40))[k, j], rng.normal(0, 0.01, (40, 40))[k, j]
    w = seat + lean * (u - 270 * (j + 0.5)) + shared + rng.normal(0, 6, n)
    parts = TileParts(grid, box)
    cells = tile_values(grid, None, np.column_stack([u, v, w]), box, Rough(np.zeros(parts.shape), 60.0, ()))
    assert cells.near_mm == pytest.approx(sd, abs=0.4 if sd == 0 else 0.3 * sd)


def test_shared_covariance_is_the_mean_over_both_stretches() -> None:
    """Against a sum over pairs of places."""
    a = (np.arange(400) + 0.5) / 400
    for side, apart in ((270.0, 0.0), (270.0, 270.0), (90.0, 180.0), (340.0, 900.0)):
        x = a[:, None] * side - a[None] * side - apart
        mean = np.exp(-0.5 * (x / NEAR_LENGTH_MM) ** 2).mean()
        assert averaged(np.array([apart, -apart]), side) == pytest.approx([mean, mean], abs=1e-5)
