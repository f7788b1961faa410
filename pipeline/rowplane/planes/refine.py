"""The final plane of a face: least squares over even areas of clean points, with covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowplane.model import Array

BLOCK_MM = 400.0
"""Errors of tiles and matching are alike over decimetres: a block of this size counts as one observation."""


@dataclass(frozen=True)
class Level:
    """Plane w = height + slope_u·(u − u0) + slope_v·(v − v0) about `centre` (u0, v0), with its `(3, 3)` covariance.

    The covariance is of (slope_u, slope_v, height), in rad², rad·mm, mm², from the scatter of block means.
    """

    centre: Array
    slope: Array
    height: float
    covariance: Array


def fit_level(uvw: Array, block: float = BLOCK_MM) -> Level:
    """Least squares over the means of square blocks of points `(n, 3)`, so that dense parts weigh no more than sparse ones.

    In the face's own frame slopes are small, where vertical and orthogonal distances agree to second order.
    Raises ValueError where the points span no plane.
    """
    mean, count = _block_means(uvw, block)
    weight = np.minimum(count, np.median(count))
    centre = np.average(mean[:, :2], axis=0, weights=weight)
    design = np.column_stack([mean[:, :2] - centre, np.ones(len(mean))])
    for _ in range(3):
        normal = (design * weight[:, None]).T @ design
        if np.linalg.cond(normal) > 1e15:
            raise ValueError("the points lie on one line")
        answer = np.linalg.solve(normal, design.T @ (weight * mean[:, 2]))
        off = mean[:, 2] - design @ answer
        spread = 1.4826 * float(np.median(np.abs(off))) + 1e-6
        # Blocks with a chimney's foot or a cap in them are out of the pattern, not part of the plane.
        keep = np.abs(off) < 4.0 * spread + 1.0
        weight = np.where(keep, np.minimum(count, np.median(count)), 0.0)
    freedom = max(int(keep.sum()) - 3, 1)
    variance = float((weight * off**2).sum() / max(float(weight.sum()), 1e-9)) * len(mean) / freedom
    inverse = np.linalg.inv((design * weight[:, None]).T @ design / max(float(weight.mean()), 1e-9))
    return Level(centre, answer[:2], float(answer[2]), np.asarray(variance * inverse, dtype=float))


def _block_means(uvw: Array, block: float) -> tuple[Array, Array]:
    place = np.floor((uvw[:, :2] - uvw[:, :2].min(axis=0)) / block).astype(np.int64)
    width = int(place[:, 1].max()) + 1
    flat = place[:, 0] * width + place[:, 1]
    size = int(flat.max()) + 1
    count = np.bincount(flat, minlength=size)
    sums = np.stack([np.bincount(flat, uvw[:, k], minlength=size) for k in range(3)], axis=1)
    here = count > 0
    return sums[here] / count[here, None], count[here].astype(float)
