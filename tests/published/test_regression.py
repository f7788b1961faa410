"""Plane fit and least squares against published values: CHECKS.md section 7, rows R-01, R-10 to R-12, R-14, R-20 to R-24; section 9.

R-04 (Longley) and R-13 (York) are no tests here: nothing in the package regresses on six columns of anyone's choice, and
nothing gives each point weights of its own in two coordinates.
"""

from __future__ import annotations

import numpy as np
import pytest

from rowplane.frames import face_frame, face_to_survey, pitch_deg
from rowplane.geometry import fit_plane
from rowplane.model import Array
from rowplane.planes.refine import fit_level
from rowplane.surface.field import Prior, SubstrateField, condition

PEARSON_X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
PONTIUS_LOAD = np.tile(np.arange(150_000.0, 3_000_001.0, 150_000.0), 2)
PONTIUS_DEFLECTION = np.array([
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
])  # fmt: skip
FIVE = np.array([[1.1, 2.1, 8.1], [3.2, 4.2, 8.0], [5.3, 1.3, 8.2], [3.4, 2.4, 8.3], [1.5, 4.5, 8.0]])


def regression(uv: Array, w: Array, sd: float) -> SubstrateField:
    """The field with its smooth parts switched off: the plane's regression, its prior wide."""
    return condition(Prior(1e-9, 2000, 1e-9, 600, sd, 1e-9, 3000), uv, w, np.zeros(len(w)))


def answer(field: SubstrateField, du: float, dv: float) -> tuple[Array, Array]:
    """Height at (0, 0), slopes along u and v, and their standard deviations."""
    at = np.array([[0.0, 0.0], [du, 0.0], [0.0, dv]])
    take = np.array([[1.0, 0.0, 0.0], [-1 / du, 1 / du, 0.0], [-1 / dv, 0.0, 1 / dv]])
    return take @ field.mean_mm(at), np.sqrt(np.diag(take @ field.covariance_mm2(at) @ take.T))


def test_quadratic_of_pontius() -> None:
    """R-01 (NIST StRD Pontius, certified values): deflection of a load cell as a plane over (load, load²).

    The planes' least squares meets the coefficients to 1e-8, the field (its prior wide, not infinite) to 1e-5 with their sd.
    """
    certified = np.array([0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14])
    x, y = PONTIUS_LOAD, PONTIUS_DEFLECTION
    level = fit_level(np.column_stack([x / 1e6, x**2 / 1e12, y]), block=0.01)
    found = np.array([level.height - level.slope @ level.centre, level.slope[0] / 1e6, level.slope[1] / 1e12])
    assert found == pytest.approx(certified, rel=1e-8)
    off = y - found @ np.array([np.ones(40), x, x**2])
    assert np.sqrt(off @ off / 37) == pytest.approx(0.205177424076185e-3, rel=1e-8)
    field = regression(np.column_stack([x / 10, x**2 / 1e7]), 1000 * y, 0.205177424076185)
    mean, sd = answer(field, 3e5, 9e5)
    scale = np.array([1e-3, 1e-4, 1e-10])
    assert mean * scale == pytest.approx(certified, rel=1e-5)
    assert sd * scale == pytest.approx([0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16], rel=1e-4)


@pytest.mark.parametrize(("x", "y", "slope", "intercept"), [
    (PEARSON_X, PEARSON_Y, -0.53957727, 5.76118519),
    (PEARSON_Y, PEARSON_X, 1 / -0.56588893, 5.86169570 / 0.56588893),
], ids=["R-10", "R-11"])  # fmt: skip
def test_plain_regression_of_pearson(x: Array, y: Array, slope: float, intercept: float) -> None:
    """R-10 and R-11 (Pearson 1901, data as printed; digits recomputed): y on x and x on y, by the planes' least squares and the field's."""
    apart = 1 + np.arange(10) / 10  # two of the points share an x, and points of one block are averaged
    level = fit_level(np.vstack([np.column_stack([x, side * apart, y]) for side in (-1, 1)]), block=0.01)
    assert level.slope == pytest.approx([slope, 0.0], abs=1e-7)
    assert level.height - level.slope @ level.centre == pytest.approx(intercept, abs=1e-7)
    off = y - intercept - slope * x
    mean, sd = answer(regression(np.column_stack([1000 * x, np.zeros(10)]), y, float(np.sqrt(off @ off / 8))), 7000.0, 1.0)
    assert mean[:2] == pytest.approx([intercept, slope / 1000], rel=5e-4)
    if x is PEARSON_X:
        assert 1000 * sd[1] == pytest.approx(0.04213, abs=5e-6)


def test_swapped_axes_give_the_same_line() -> None:
    """R-14: orthogonal slopes of y over x and x over y are reciprocal (those of R-10 and R-11 are not: their product is 0.9535)."""
    slopes = []
    for x, y in ((PEARSON_X, PEARSON_Y), (PEARSON_Y, PEARSON_X)):
        normal = fit_plane(np.vstack([np.column_stack([x, y, np.full(10, z)]) for z in (-100.0, 100.0)])).normal
        slopes.append(-normal[0] / normal[1])
    assert slopes[0] * slopes[1] == pytest.approx(1.0, abs=1e-9)


def test_orthogonal_line_of_pearson() -> None:
    """R-12 (Pearson 1901, data as printed; digits recomputed): slope −0.54556120, rms distance 0.24871123, as a plane along z."""
    layers = [np.column_stack([PEARSON_X, PEARSON_Y, np.full(10, z)]) for z in (-100.0, 100.0)]
    plane = fit_plane(np.vstack(layers))
    assert -plane.normal[0] / plane.normal[1] == pytest.approx(-0.54556120, abs=1e-8)
    assert plane.rms == pytest.approx(0.24871123, abs=1e-8)
    assert plane.centroid[:2] == pytest.approx([3.82, 3.70])


def test_plane_of_five_points() -> None:
    """R-20 (point set of a public test, recomputed): centroid, normal and rms of the orthogonal plane."""
    plane = fit_plane(FIVE)
    assert plane.centroid == pytest.approx([2.9, 2.9, 8.12])
    assert plane.normal == pytest.approx([-0.01473046, 0.06288874, 0.99791183], abs=1e-8)
    assert plane.rms == pytest.approx(0.07307015, abs=1e-8)


def test_plane_does_not_feel_large_coordinates() -> None:
    """Section 7.1, background: an offset of 500 km and 4000 km moves the normal by no more than 1e-9."""
    moved = fit_plane(FIVE * 1000 + [5e8, 4e9, 0.0])
    assert moved.normal == pytest.approx(fit_plane(FIVE * 1000).normal, abs=1e-9)


def test_covariance_of_a_plane_through_the_field() -> None:
    """R-21: 6 × 4 grid of 1 m, σ = 1: sd of slopes 1/√70 and 1/√30, of height at the centroid 1/√24, at a corner 0.4538.

    The field with its smooth parts switched off is that regression; its plane prior is wide and shifts the last digits.
    """
    u, v = (1000 * a.ravel() for a in np.meshgrid(np.arange(6.0), np.arange(4.0)))
    uv = np.column_stack([u, v])
    field = regression(uv, np.zeros(24), 1.0)
    sd = np.sqrt(np.diag(field.covariance_mm2(np.array([[2500.0, 1500.0], [0.0, 0.0]]))))
    assert sd == pytest.approx([0.20412415, 0.45381977], rel=2e-3)
    ends = np.array([[0.0, 1500.0], [5000.0, 1500.0]])
    across = np.array([-1.0, 1.0]) / 5.0
    assert np.sqrt(across @ field.covariance_mm2(ends) @ across) == pytest.approx(0.11952286, rel=2e-3)
    ends = np.array([[2500.0, 0.0], [2500.0, 3000.0]])
    up = np.array([-1.0, 1.0]) / 3.0
    assert np.sqrt(up @ field.covariance_mm2(ends) @ up) == pytest.approx(0.18257419, rel=2e-3)


def test_pitch_and_aspect_of_a_plane() -> None:
    """R-22 and R-23: slope 1/3, σ = 3 mm upwards on that grid: sd of the pitch 0.018490°, of the aspect 0.094147°."""
    u, v = (1000 * a.ravel() for a in np.meshgrid(np.arange(6.0), np.arange(4.0)))
    design = np.column_stack([np.ones(24), u, v])
    off = np.random.default_rng(1).standard_normal(24)
    off -= design @ np.linalg.lstsq(design, off, rcond=None)[0]
    off *= 3.0 * np.sqrt(21) / np.linalg.norm(off)
    plane = fit_plane(np.column_stack([u, v, u / 3 + off]))
    tilt = np.degrees(np.sqrt(np.diag(plane.covariance)))
    # Axes run along the slope and across it: a lean across turns the aspect by itself over the sine of the pitch.
    assert abs(plane.axes[0, 1]) < 1e-3
    assert tilt[0] == pytest.approx(0.018490, abs=2e-6)
    assert tilt[1] / np.sin(np.arctan(1 / 3)) == pytest.approx(0.094147, abs=1e-5)


def test_residuals_of_a_deviation_map() -> None:
    """R-24 (textbook): residuals of the plane sum to nothing and are orthogonal to its axes."""
    plane = fit_plane(FIVE)
    off = (FIVE - plane.centroid) @ plane.normal
    assert off.sum() == pytest.approx(0, abs=1e-9)
    assert off @ ((FIVE - plane.centroid) @ plane.axes.T) == pytest.approx([0, 0], abs=1e-9)


def test_relief_does_not_tilt_the_plane() -> None:
    """Section 9, consequence of T-05: z += ½·76·cos(2πu/277) over whole periods leaves the slope as it was."""
    u, v = (a.ravel() for a in np.meshgrid(np.arange(0, 30 * 277) * 1.0, np.arange(0, 4000, 500) * 1.0))
    plane = face_frame(np.zeros(3), np.array([0.0, -0.4, 1.0]))
    points = face_to_survey(plane, np.column_stack([u, v, 38 * np.cos(2 * np.pi * u / 277)]))
    flat = face_frame(np.zeros(3), fit_plane(points).normal)
    assert pitch_deg(flat) == pytest.approx(np.degrees(np.arctan(0.4)), abs=1e-9)
