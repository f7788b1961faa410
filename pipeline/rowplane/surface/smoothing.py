"""How smooth the substrate is, taken from the data: the prior's sizes and lengths by marginal likelihood.

Plane and bends have wide priors and so are integrated out, which makes this the restricted likelihood. Weak log-normal
priors, from what carpenters build, keep a face with few tiles sane; a face with many overrules them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky
from scipy.linalg.lapack import dpotri
from scipy.optimize import minimize
from shapely.geometry import Polygon

from rowplane.model import Array
from rowplane.surface.field import Prior, b_spline

MOST_TILES = 420
"""Tiles that the likelihood is worked out on; more of them settle five numbers no better."""
NAMES = ("smooth_sd", "smooth_length", "rafter_sd", "rafter_length", "seat_sd")
EXPECTED = np.log([5.0, 2200.0, 1.6, 650.0, 2.2])
SPREAD = np.array([0.8, 0.5, 0.6, 0.25, 0.5])
LIMITS = np.log([[0.5, 60.0], [1000.0, 9000.0], [0.2, 6.0], [350.0, 1000.0], [0.2, 30.0]])
UNPATTERNED_SEAT_MM = 12.0


def first_prior(outline: Polygon, seat_mm: float, error_mm: float, error_length_mm: float) -> Prior:
    """What is expected of a face before anything is measured."""
    smooth, length, rafter, spacing, _ = np.exp(EXPECTED).tolist()
    return over(Prior(smooth, length, rafter, spacing, seat_mm, error_mm, error_length_mm), outline)


def over(prior: Prior, outline: Polygon) -> Prior:
    """The same prior with plane and bends over `outline`, which lies in the frame that the values will be in."""
    u0, v0, u1, v1 = outline.bounds
    middle = outline.centroid
    return replace(prior, centre=(float(middle.x), float(middle.y)), extent=(u0, v0, max(u1 - u0, 1.0), max(v1 - v0, 1.0)))


def choose_prior(
    uv: Array, height: Array, variance: Array, start: Prior, tiles: Array | None = None, nuisance: Array | None = None
) -> Prior:
    """`start` with the five numbers of NAMES at the mode of their posterior, given values as in field.condition."""
    near = _contiguous(uv)
    share = np.ones(len(near)) if tiles is None else 1 / tiles[near]
    extra = 0.0 if nuisance is None else nuisance[np.ix_(near, near)]
    work = _Likelihood(uv[near], height[near] - float(np.median(height[near])), variance[near], start, share, extra)
    first = np.clip(np.log([getattr(start, name) for name in NAMES]), LIMITS[:, 0], LIMITS[:, 1])
    found = minimize(work, first, jac=True, method="L-BFGS-B", bounds=LIMITS, options={"maxiter": 25, "ftol": 1e-5})
    return replace(start, **dict(zip(NAMES, np.exp(found.x).tolist(), strict=True)))


def _contiguous(uv: Array) -> NDArray[np.int64]:
    """Tiles of one stretch along the eave, whole slope: neighbours are what tells the parts of the field apart."""
    if len(uv) <= MOST_TILES:
        return np.arange(len(uv))
    order = np.argsort(np.abs(uv[:, 0] - np.median(uv[:, 0])), kind="stable")
    return np.sort(order[:MOST_TILES])


class _Likelihood:
    """Negative log posterior of the prior's numbers and its gradient."""

    def __init__(self, uv: Array, height: Array, variance: Array, start: Prior, share: Array, extra: Array | float) -> None:
        self.height, self.variance, self.share = height, variance, share
        self.expected = np.log([getattr(start, name) for name in NAMES])
        self.du = np.abs(uv[:, None, 0] - uv[None, :, 0])
        dv = uv[:, None, 1] - uv[None, :, 1]
        self.distance = np.sqrt(self.du**2 + dv**2)
        self.along = start.along(dv)
        self.fixed = start.shape(uv, uv) + start.error(uv, uv) + extra

    def __call__(self, x: Array) -> tuple[float, Array]:
        smooth_sd, smooth_length, rafter_sd, rafter_length, seat_sd = np.exp(x)
        r = self.distance * (np.sqrt(5) / smooth_length)
        fall = np.exp(-r)
        smooth = smooth_sd**2 * (1 + r + r * r / 3) * fall
        h = self.du / rafter_length
        across = rafter_sd**2 * self.along
        rafter = across * b_spline(h)
        data = self.fixed + smooth + rafter
        data[np.diag_indices(len(data))] += seat_sd**2 * self.share + self.variance
        factor = cholesky(data, lower=True, check_finite=False)
        alpha = cho_solve((factor, True), self.height, check_finite=False)
        away = (x - self.expected) / SPREAD
        value = 0.5 * self.height @ alpha + np.log(np.diag(factor)).sum() + 0.5 * away @ away
        inverse, _ = dpotri(factor, lower=1)
        # The lower triangle holds the inverse: off-diagonal terms count twice in a trace with a symmetric matrix.
        weight = np.tril(np.outer(alpha, alpha) - inverse)
        half = weight - 0.5 * np.diag(np.diag(weight))
        rest = np.maximum(2 - h, 0.0)
        slope_h = np.where(h < 1, h * (2.25 * h - 3), -0.75 * rest * rest)
        gradient = np.array(
            [
                2 * np.vdot(half, smooth),
                np.vdot(half, smooth_sd**2 * (r * r / 3) * (1 + r) * fall),
                2 * np.vdot(half, rafter),
                np.vdot(half, across * (-h * slope_h)),
                2 * seat_sd**2 * np.diag(half) @ self.share,
            ]
        )
        return float(value), np.asarray(away / SPREAD - gradient)
