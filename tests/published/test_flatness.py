"""Flatness against published values: CHECKS.md rows F-03 to F-05 and F-13, and the minimum-zone values of PLANES.md A4."""

from __future__ import annotations

import numpy as np
import pytest

from rowplane.surface.flatness import gaps_under, grid_gap, zones

FIVE_POINTS = np.array([[11.5, 7, 1.1], [18.5, 6.9, 1.03], [4.5, 13, 1.02], [25.5, 30, 1.03], [11.5, 37.5, 1.02]])
TETRAHEDRON = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(8)


def _lattice(height: object) -> np.ndarray:
    x, y = (a.ravel() for a in np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0]))
    return np.column_stack([x, y, height(x, y)])  # type: ignore[operator]


def test_zone_of_five_public_points() -> None:
    """A4, exact over all hull faces and edge pairs; an edge/edge case that hull faces alone miss (they give 0.0691)."""
    lsq, least = zones(FIVE_POINTS)
    assert lsq == pytest.approx(0.072097300, abs=1e-8)
    assert least == pytest.approx(0.067262058, abs=1e-8)


def test_zone_of_a_regular_tetrahedron() -> None:
    """A4, analytic: the width of a regular tetrahedron with edge 1 is 1/√2, between two opposite edges."""
    assert zones(TETRAHEDRON)[1] == pytest.approx(1 / np.sqrt(2), abs=1e-9)


@pytest.mark.parametrize(("height", "zone"), [
    (lambda x, y: 0.01 * x * y, 0.02),
    (lambda x, y: 0.01 * ((x == 0) & (y == 0)), 0.01),
])  # fmt: skip
def test_zone_of_small_lattices(height: object, zone: float) -> None:
    """A4, analytic: saddle 0.02 (edge/edge) and raised centre 0.01 (three to one)."""
    assert zones(_lattice(height))[1] == pytest.approx(zone, abs=1e-9)


def test_zone_of_seeded_sets() -> None:
    """A4, exact values computed over all hull faces and hull edge pairs."""
    rng = np.random.default_rng(20240101)
    x = rng.uniform(0, 10, (200, 2))
    lsq, least = zones(np.column_stack([x, 0.02 * rng.standard_normal(200)]))
    assert (lsq, least) == (pytest.approx(0.116662603, abs=1e-8), pytest.approx(0.105857851, abs=1e-8))
    x = rng.uniform(0, 6, (2000, 2))
    z = 0.3 * x[:, 0] + 0.025 * np.sin(x[:, 0]) * np.cos(0.7 * x[:, 1]) + 0.002 * rng.standard_normal(2000)
    lsq, least = zones(np.column_stack([x, z]))
    assert (lsq, least) == (pytest.approx(0.061881841, abs=1e-8), pytest.approx(0.055237767, abs=1e-8))


def test_gap_lies_under_two_high_points() -> None:
    """F-03 (DIN 18202 way): the straightedge rests on two high points and is not levelled."""
    line = np.array([[0.0, -3.0, 0.0]])
    assert gaps_under(line, 1000.0, (2000.0,))[0] == pytest.approx(3.0)
    assert gaps_under(np.array([[0.0, 3.0, 0.0]]), 1000.0, (2000.0,))[0] == 0.0


@pytest.mark.parametrize(("heights", "gap"), [((0.0, -3.0, 0.0), 3.0), ((0.0, -8.0, 0.0), 8.0)])
def test_grid_levelling_variant(heights: tuple[float, ...], gap: float) -> None:
    """F-04: on a 1 m grid the gap of the middle point on base 2 m; 3 mm passes row 6 (7 mm) and row 7 (5 mm), 8 mm fails both."""
    found = grid_gap(np.array(heights))[0]
    assert found == pytest.approx(gap)
    assert (found <= 7, found <= 5) == (gap <= 7, gap <= 5)


def test_gaps_do_not_see_a_plane() -> None:
    """F-05: adding a plane changes no gap."""
    rng = np.random.default_rng(5)
    raster = rng.normal(0, 3, (12, 30))
    v, u = np.mgrid[0:12, 0:30]
    lengths = (1000.0, 2000.0)
    tilted = raster + 7 + 1.3 * u - 0.8 * v
    np.testing.assert_allclose(gaps_under(tilted, 100.0, lengths), gaps_under(raster, 100.0, lengths), atol=1e-9)
    np.testing.assert_allclose(gaps_under(tilted.T, 100.0, lengths), gaps_under(raster.T, 100.0, lengths), atol=1e-9)
