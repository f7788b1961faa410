"""Geometry that more than one stage needs: the orthogonal plane fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowplane.model import Array


@dataclass(frozen=True)
class PlaneFit:
    """Least-squares plane: `centroid` `(3,)`, unit `normal` `(3,)` with positive third part, `rms` of the distances.

    `covariance` `(2, 2)`, rad², of the normal's tilt about the two in-plane axes `axes` `(2, 3)`, for independent errors.
    """

    centroid: Array
    normal: Array
    axes: Array
    rms: float
    covariance: Array


def fit_plane(points: Array, weights: Array | None = None) -> PlaneFit:
    """Plane that minimises the sum of squared orthogonal distances to `points` `(n, 3)`, with optional weights `(n,)`.

    Centroid and SVD of the centred points (Shakarji, J. Res. NIST 103(6) 633–641, 1998, section 3.1). Raises ValueError
    with fewer than three points or all of them on one line. NaN is not allowed.
    """
    points = np.asarray(points, dtype=float)
    if len(points) < 3:
        raise ValueError("a plane needs three points")
    w = np.ones(len(points)) if weights is None else np.asarray(weights, dtype=float)
    centroid = np.average(points, axis=0, weights=w)
    centred = points - centroid
    values, vectors = np.linalg.eigh((centred * w[:, None]).T @ centred)
    return plane_of_moments(centroid, values, vectors, float(w.sum()))


def plane_of_moments(centroid: Array, values: Array, vectors: Array, weight: float) -> PlaneFit:
    """The same plane from the eigenvalues (ascending) and vectors (columns) of the centred second moments `(3, 3)`."""
    if values[1] <= 1e-12 * max(float(values[2]), 1e-300):
        raise ValueError("the points lie on one line")
    normal = vectors[:, 0] * (1.0 if vectors[2, 0] >= 0 else -1.0)
    spread = np.maximum(values, 0.0)
    variance = spread[0] / max(weight - 3.0, 1.0)
    # Tilt along an in-plane axis is a regression slope: its variance is σ² over the moment along that axis.
    covariance = np.diag(variance / spread[[2, 1]])
    return PlaneFit(centroid, normal, vectors[:, [2, 1]].T.copy(), float(np.sqrt(spread[0] / weight)), covariance)
