"""Plane fit and least squares against published values: CHECKS.md section 7, rows R-12, R-20, R-21, R-22, R-24, and section 9."""

from __future__ import annotations

import numpy as np
import pytest

from rowplane.frames import face_frame, face_to_survey, pitch_deg
from rowplane.geometry import fit_plane
from rowplane.surface.field import Prior, condition

PEARSON_X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
FIVE = np.array([[1.1, 2.1, 8.1], [3.2, 4.2, 8.0], [5.3, 1.3, 8.2], [3.4, 2.4, 8.3], [1.5, 4.5, 8.0]])


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
    prior = Prior(1e-6, 2000, 1e-6, 600, 1.0, 1e-6, 3000, (2500.0, 1500.0))
    field = condition(prior, uv, np.zeros(24), np.zeros(24))
    sd = np.sqrt(np.diag(field.covariance_mm2(np.array([[2500.0, 1500.0], [0.0, 0.0]]))))
    assert sd == pytest.approx([0.20412415, 0.45381977], rel=2e-3)
    ends = np.array([[0.0, 1500.0], [5000.0, 1500.0]])
    across = np.array([-1.0, 1.0]) / 5.0
    assert np.sqrt(across @ field.covariance_mm2(ends) @ across) == pytest.approx(0.11952286, rel=2e-3)
    ends = np.array([[2500.0, 0.0], [2500.0, 3000.0]])
    up = np.array([-1.0, 1.0]) / 3.0
    assert np.sqrt(up @ field.covariance_mm2(ends) @ up) == pytest.approx(0.18257419, rel=2e-3)


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
