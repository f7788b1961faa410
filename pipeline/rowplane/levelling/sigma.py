"""How sure each foot is: from the covariance of hook seats to seats off the array's best-fit plane, and how likely all fit."""

from __future__ import annotations

import numpy as np

from rowplane.model import Array, LevelLimits, RecheckBasis

Z95 = 1.959964
"""Two-sided 95 % of the normal distribution."""


def set_variance(limits: LevelLimits) -> float:
    """Variance of setting one foot, mm²: the setter's own, and the quarter turn it is rounded to (uniform, width pitch/4)."""
    return limits.setting_sd_mm**2 + (limits.thread_pitch_mm / 4) ** 2 / 12


def off_plane(basis: RecheckBasis) -> Array:
    """Matrix I − H `(f, f)` that takes the feet's heights to their distances from the feet's least-squares plane."""
    return residual_maker(np.column_stack([np.ones(len(basis.foot_u_mm)), basis.foot_u_mm, basis.foot_v_mm]))


def residual_maker(design: Array) -> Array:
    """I − H for a design `(n, p)`, by QR of its scaled columns; rank may be short (few feet, or all on one line)."""
    scaled = design / np.maximum(np.abs(design).max(axis=0), 1e-300)
    left, values, _ = np.linalg.svd(scaled, full_matrices=False)
    basis = left[:, values > 1e-9 * values[0]] if len(values) else left
    return np.asarray(np.eye(len(design)) - basis @ basis.T)


def seat_sigma(basis: RecheckBasis, covariance: Array | None = None, steady: bool = True) -> Array:
    """Standard deviation `(f,)`, mm, of each module seat, set as written, from the array's best-fit plane.

    `covariance` `(h, h)` of the hook seats, the basis's own by default; `steady` False leaves the setting itself out. The
    plane is that of the seats themselves (a common shift or tilt of the array is no error).
    """
    cov = basis.covariance_mm2 if covariance is None else covariance
    free = off_plane(basis)
    onto = free @ basis.influence
    variance = np.sum((onto @ cov) * onto, axis=1)
    if steady:
        variance = variance + set_variance(basis.limits) * np.diag(free)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def hook_sigma(basis: RecheckBasis) -> Array:
    """Standard deviation `(h,)`, mm, of each hook seat over the face plane."""
    return np.asarray(np.sqrt(np.maximum(np.diag(basis.covariance_mm2), 0.0)))


def doubtful(basis: RecheckBasis, sigma: Array) -> Array:
    """Which sigmas the survey does not support: 95 % of the seats must end within tolerance."""
    return np.asarray(Z95 * sigma > basis.limits.tolerance_mm)


def probability_within(basis: RecheckBasis, seats_mm: Array) -> float:
    """Probability that every seat ends within tolerance of the seats' best-fit plane, by seeded draws of the posterior.

    `seats_mm` `(f,)` are the seats expected of the numbers as written (rounding and shortfall in them). NaN without feet.
    """
    f, limits = len(basis.foot_ids), basis.limits
    if f == 0:
        return float("nan")
    rng = np.random.default_rng(limits.seed)
    free = off_plane(basis)
    spread = free @ basis.influence @ root_of(basis.covariance_mm2)
    off = rng.standard_normal((limits.draws, spread.shape[1])) @ spread.T + free @ seats_mm
    off += limits.setting_sd_mm * (rng.standard_normal((limits.draws, f)) @ free)
    return float(np.mean(np.all(np.abs(off) <= limits.tolerance_mm, axis=1)))


def root_of(covariance: Array) -> Array:
    """A matrix R with R Rᵀ = covariance `(n, n)`; eigenvalues that rounding has made negative count as none."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
