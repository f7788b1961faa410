"""The substrate as a Gaussian field: prior, posterior mean and covariance between any two points of a face.

w(u, v) = plane + the bends of any loaded roof + smooth rest + what rafters do one by one. A survey value is that plus the seating scatter of its tile,
point noise, and an error that is smooth over metres. The last three are nuisance: they are in the data's covariance but
not in the field, so that the posterior says how far the substrate itself may be off.
Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), eqs. 2.25, 2.26.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.special import erf

from rowplane.model import Array

LEVEL_SD_MM = 60.0
SLOPE_SD = 0.02
"""A priori height and slope of the plane that takes the place of no plane: wide against anything that planes leaves."""
BEND = 1 / 300
"""A priori size of a bend over the length it spans: beyond 1/180 a structure should be looked at."""
NEAR_LENGTH_MM, NEAR_REACH_MM = 100.0, 500.0
"""Windows of image matching are 5 to 9 pixels wide, 30 to 100 mm on the roof (common practice, no source)."""
CHUNK = 256
"""Places worked on at a time: their covariances with a few hundred values stay in the processor's cache."""


@dataclass(frozen=True)
class Prior:
    """Sizes and lengths of the field's parts, mm.

    Bends over `extent` (u, v of its lower left corner, width, length), each of free size: the sag that all rafters share,
    the part of it that is greater at mid-eave, and the bow of the ridge. Their shapes are fixed (half sines, as a simply
    supported beam bends) so that what is left is small and short: Matérn 5/2 of `smooth_sd`, `smooth_length`. Rafters: `rafter_sd` with the correlation across the slope of
    values at knots `rafter_length` apart joined by straight lines (a cubic B-spline), and up the slope a lasting share
    plus a Gaussian of `along_length`. Survey error: Gaussian of `error_sd`, `error_length`; what image matching errs alike
    over a hand's breadth, `near_sd` at a point and NEAR_LENGTH_MM long, averaged over values `tile` (width, length) large,
    which neighbours share in part. `seat_sd` is the white scatter of one tile.
    """

    smooth_sd: float
    smooth_length: float
    rafter_sd: float
    rafter_length: float
    seat_sd: float
    error_sd: float
    error_length: float
    centre: tuple[float, float] = (0.0, 0.0)
    extent: tuple[float, float, float, float] | None = None
    near_sd: float = 0.0
    tile: tuple[float, float] = (300.0, 300.0)
    lasting: float = 0.7
    along_length: float = 2500.0

    def signal(self, a: Array, b: Array) -> Array:
        """Covariance of the substrate between `(n, 2)` and `(m, 2)`, mm²."""
        du, dv = np.abs(a[:, None, 0] - b[None, :, 0]), a[:, None, 1] - b[None, :, 1]
        smooth = self.smooth_sd**2 * matern(np.sqrt(du * du + dv * dv) * (np.sqrt(5) / self.smooth_length))
        rafter = self.rafter_sd**2 * b_spline(du / self.rafter_length) * self.along(dv)
        return np.asarray(smooth + rafter + self.shape(a, b))

    def along(self, dv: Array) -> Array:
        """Correlation of one rafter with itself `dv` further up."""
        return np.asarray(self.lasting + (1 - self.lasting) * np.exp(-0.5 * (dv / self.along_length) ** 2))

    def shape(self, a: Array, b: Array) -> Array:
        """Covariance of the unknown plane and bends."""
        return np.asarray(self.shapes(a) @ self.shapes(b).T)

    def shapes(self, a: Array) -> Array:
        """Height, slopes and bends at `(n, 2)`, each times its a priori size `(n, 3)` or, with an extent, `(n, 6)`."""
        columns = [np.full(len(a), LEVEL_SD_MM), *(SLOPE_SD * (a - self.centre)).T]
        if self.extent is not None:
            u0, v0, width, length = self.extent
            up = (a[:, 1] - v0) / length
            mid_eave, mid_slope = np.sin(np.pi * (a[:, 0] - u0) / width), np.sin(np.pi * up)
            sag = BEND * length * mid_slope
            columns += [sag, sag * mid_eave, BEND * width * up * mid_eave]
        return np.column_stack(columns)

    def error(self, a: Array, b: Array) -> Array:
        """Covariance of the survey error, smooth and near, between values at `(n, 2)` and `(m, 2)`."""
        du, dv = a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1]
        smooth = self.error_sd**2 * np.exp(-0.5 * (du * du + dv * dv) / self.error_length**2)
        return np.asarray(smooth + self.near_sd**2 * self.near(du, dv) if self.near_sd else smooth)

    def near(self, du: Array, dv: Array) -> Array:
        """Covariance of two values `du`, `dv` apart by an error of sd 1 that is alike over NEAR_LENGTH_MM."""
        # Values further apart share nothing: all but some hundredths of a matrix are spared.
        close = (np.abs(du) < self.tile[0] + NEAR_REACH_MM) & (np.abs(dv) < self.tile[1] + NEAR_REACH_MM)
        out = np.zeros(close.shape)
        out[close] = averaged(du[close], self.tile[0]) * averaged(dv[close], self.tile[1])
        return out

    def variance(self, a: Array) -> Array:
        """Prior variance of the substrate at `(n, 2)`."""
        return np.asarray(self.smooth_sd**2 + self.rafter_sd**2 + np.sum(self.shapes(a) ** 2, axis=1))


def averaged(d: Array, side: float) -> Array:
    """Mean of exp(−x²/2L²), L = NEAR_LENGTH_MM, over the distances between two stretches of `side` whose middles are `d` apart."""

    def twice(x: Array) -> Array:  # the second integral of the bell curve
        return np.asarray(np.sqrt(np.pi / 2) * x * erf(x / np.sqrt(2)) + np.exp(-0.5 * x * x))

    s, x = side / NEAR_LENGTH_MM, np.abs(d) / NEAR_LENGTH_MM
    return np.asarray((twice(x + s) - 2 * twice(x) + twice(x - s)) / s**2)


def matern(r: Array) -> Array:
    """Matérn 5/2 of r = √5·distance/length."""
    return np.asarray((1 + r + r * r / 3) * np.exp(-r))


def b_spline(h: Array) -> Array:
    """Correlation at distance h (in knot spacings) of white values at knots joined by straight lines, any phase."""
    # Products, not powers: numpy's power of 3 costs twenty times as much, and this is the busiest line of the stage.
    rest = np.maximum(2 - h, 0.0)
    return np.where(h < 1, 1 + h * h * (0.75 * h - 1.5), 0.25 * rest * rest * rest)


@dataclass(frozen=True)
class SubstrateField:
    """Posterior of the substrate given values `height` at `uv` `(n, 2)`, mm; `factor` is the data covariance's Cholesky."""

    prior: Prior
    uv: Array
    factor: Array
    alpha: Array

    def mean_mm(self, uv_mm: Array) -> Array:
        """Posterior mean of w at `(n, 2)`, mm → `(n,)`, mm. NaN stays NaN, empty stays empty."""
        uv = np.asarray(uv_mm, dtype=float).reshape(-1, 2)
        parts = [self.prior.signal(uv[k : k + CHUNK], self.uv) @ self.alpha for k in range(0, len(uv), CHUNK)]
        return np.concatenate(parts) if parts else np.zeros(0)

    def covariance_mm2(self, uv_mm: Array, other_uv_mm: Array | None = None) -> Array:
        """Posterior covariance between two sets of points `(n, 2)`, `(m, 2)` → `(n, m)`, mm²."""
        a = np.asarray(uv_mm, dtype=float).reshape(-1, 2)
        b = a if other_uv_mm is None else np.asarray(other_uv_mm, dtype=float).reshape(-1, 2)
        left = self._whitened(a)
        right = left if other_uv_mm is None else self._whitened(b)
        return np.asarray(self.prior.signal(a, b) - left.T @ right)

    def sd_mm(self, uv_mm: Array) -> Array:
        """Posterior standard deviation at `(n, 2)`, mm."""
        uv = np.asarray(uv_mm, dtype=float).reshape(-1, 2)
        seen = [np.sum(self._whitened(uv[k : k + CHUNK]) ** 2, axis=0) for k in range(0, len(uv), CHUNK)]
        explained = np.concatenate(seen) if seen else np.zeros(0)
        return np.asarray(np.sqrt(np.maximum(self.prior.variance(uv) - explained, 0.0)))

    def _whitened(self, uv: Array) -> Array:
        return np.asarray(solve_triangular(self.factor, self.prior.signal(self.uv, uv), lower=True, check_finite=False))


def condition(
    prior: Prior, uv: Array, height: Array, variance: Array, tiles: Array | float = 1.0, nuisance: Array | float = 0.0
) -> SubstrateField:
    """Field of `prior` given values `height` `(n,)` at `uv` `(n, 2)`, each the mean of `tiles` tiles.

    `variance` `(n,)` is each value's own, on top of the seating; `nuisance` `(n, n)` a covariance that values share.
    """
    return given(prior, uv, height, prior.signal(uv, uv) + prior.error(uv, uv) + nuisance, prior.seat_sd**2 / tiles + variance)


def given(prior: Prior, uv: Array, height: Array, shared: Array, variance: Array) -> SubstrateField:
    """The same from the covariance `shared` `(n, n)` of the values and what each has on its own, `variance` `(n,)`."""
    data = shared + np.diag(variance)
    factor = cholesky(data, lower=True, check_finite=False)
    return SubstrateField(prior, uv, factor, np.asarray(cho_solve((factor, True), height, check_finite=False)))


def left_out(field: SubstrateField) -> tuple[Array, Array]:
    """Residual of every value from the field without it, and that residual's standard deviation (R & W eq. 5.12)."""
    inverse = solve_triangular(field.factor, np.eye(len(field.uv)), lower=True, check_finite=False)
    precision = np.sum(inverse**2, axis=0)
    return field.alpha / precision, 1 / np.sqrt(precision)
