"""The Gaussian of hook seats conditioned on gaps and heights, the unknown level of each file's heights taken out exactly."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rowplane.levelling.taken import Taken, moved, row_of, taken_of
from rowplane.model import Array, RecheckBasis


@dataclass(frozen=True)
class Evidence:
    """Gaps and heights over the hook seats: `rows` `(n, h)`, `levels` `(n,)`, errors `variance` `(n,)`, `datums` `(n, d)`.

    `datums` has a column of ones per unknown level; a gap has none.
    """

    rows: Array
    levels: Array
    variance: Array
    datums: Array


def evidence_of(basis: RecheckBasis, taken: tuple[Taken, ...]) -> Evidence:
    """The gaps and heights among `taken` as rows over the hook seats of `basis`."""
    told = [t for t in taken if t.kind in ("gap", "height")]
    pairs = [row_of(basis, t) for t in told]
    levels = sorted({t.datum for t in told if t.kind == "height"})
    datums = np.array([[float(t.kind == "height" and t.datum == d) for d in levels] for t in told]).reshape(
        len(told), len(levels)
    )
    return Evidence(
        np.array([row for row, _ in pairs]).reshape(len(told), len(basis.hook_ids)),
        np.array([t.level_mm for t in told], dtype=float), np.array([v for _, v in pairs], dtype=float), datums,
    )  # fmt: skip


def misfit(basis: RecheckBasis, evidence: Evidence) -> tuple[Array, Array]:
    """Residuals `(n,)` of the levels from the survey's mean, and their weight matrix P `(n, n)` free of the datums.

    P = W − W D (Dᵀ W D)⁻¹ Dᵀ W with W = (A C Aᵀ + R)⁻¹: generalised least squares for the unknown levels D.
    """
    spread = evidence.rows @ basis.covariance_mm2 @ evidence.rows.T + np.diag(evidence.variance)
    weight = np.linalg.inv(spread)
    if evidence.datums.shape[1]:
        lean = weight @ evidence.datums
        weight = weight - lean @ np.linalg.solve(evidence.datums.T @ lean, lean.T)
    return evidence.levels - evidence.rows @ basis.mean_mm, 0.5 * (weight + weight.T)


MOST_TIMES = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0)
"""How many times its stated error a survey may turn out to err; tried in this order."""

MOST_ERRED_MM = 25.0
"""No survey that was fit for foot heights errs by more at a typical foot, sd: readings further off belong to another roof."""

FEWEST_TO_TELL = 4
"""Readings below which the survey's own word is taken: one that is off is then more likely a slip than the survey."""

HALF = 0.6745
"""Half of a normal distribution's draws lie within this many standard deviations."""


def standardised(residual: Array, weight: Array) -> tuple[Array, Array]:
    """Each reading's miss from what all others say of it, over its standard deviation, `(n,)`, and the miss itself.

    w = (P r)_i / √P_ii, miss = (P r)_i / P_ii; 0 where nothing else tells of a reading.
    """
    own = np.diag(weight)
    told = own > 1e-9 * np.max(own, initial=1e-300)
    pull = weight @ residual
    safe = np.where(told, own, 1.0)
    return np.where(told, np.abs(pull) / np.sqrt(safe), 0.0), np.where(told, pull / safe, 0.0)


def roughly_erred(basis: RecheckBasis, evidence: Evidence) -> float:
    """How many times its stated error the survey errs, while slips may still be among the readings; 1 where they bear it out.

    By the median of the standardised misses, which a few slips do not move: it must lie further above that of a normal
    distribution than chance allows (about 1 in 100), and then the least factor counts that brings it back. 1 too where no
    factor does within MOST_ERRED_MM: then the readings are looked at one by one.
    """
    n = len(evidence.levels)
    if n < FEWEST_TO_TELL:
        return 1.0
    limit = HALF + 2.0 / np.sqrt(n)
    for times in _factors(basis):
        size, _ = standardised(*misfit(widened(basis, times), evidence))
        if float(np.median(size)) <= limit:
            return times
        limit = 1.2 * HALF
    return 1.0


def times_erred(basis: RecheckBasis, evidence: Evidence) -> float:
    """How many times its stated error the survey errs by readings that were all found good: the likeliest factor.

    By restricted likelihood, the levels of the heights integrated out (Patterson and Thompson 1971, from memory); 1 unless
    another is likelier by a factor of e, what one more parameter must win (Akaike 1974, from memory).
    """
    if len(evidence.levels) < FEWEST_TO_TELL:
        return 1.0
    factors = _factors(basis)
    score = [_likelihood(widened(basis, times), evidence) for times in factors]
    best = int(np.argmax(score))
    return factors[best] if score[best] > score[0] + 1.0 else 1.0


def _factors(basis: RecheckBasis) -> tuple[float, ...]:
    survey = basis.covariance_mm2 - basis.limits.hook_seat_sd_mm**2 * np.eye(len(basis.hook_ids))
    typical = float(np.sqrt(np.mean(np.sum((basis.influence @ survey) * basis.influence, axis=1))))
    return tuple(times for times in MOST_TIMES if times == 1.0 or times * typical <= MOST_ERRED_MM)


def _likelihood(basis: RecheckBasis, evidence: Evidence) -> float:
    """Logarithm of the readings' restricted likelihood, but for a constant."""
    spread = evidence.rows @ basis.covariance_mm2 @ evidence.rows.T + np.diag(evidence.variance)
    residual, weight = misfit(basis, evidence)
    datums = evidence.datums.T @ np.linalg.solve(spread, evidence.datums)
    return float(-0.5 * (np.linalg.slogdet(spread)[1] + np.linalg.slogdet(datums)[1] + residual @ weight @ residual))


def widened(basis: RecheckBasis, times: float) -> RecheckBasis:
    """The basis with the survey's error taken `times` as large; what hooks scatter stays."""
    scatter = basis.limits.hook_seat_sd_mm**2 * np.eye(len(basis.hook_ids))
    return replace(
        basis, covariance_mm2=times**2 * (basis.covariance_mm2 - scatter) + scatter,
        crown_covariance_mm2=times**2 * basis.crown_covariance_mm2,
    )  # fmt: skip


def standing(basis: RecheckBasis) -> RecheckBasis:
    """The basis as the roof now stands: what was moved is where it is, and what was set is held. No reading conditioned on."""
    lift, held = basis.lift_mm.copy(), basis.held.copy()
    for taken in taken_of(basis):
        if taken.kind == "moved":
            basis = moved(basis, taken)
        elif taken.kind == "set":
            foot = basis.foot_ids.index(taken.id)
            lift[foot], held[foot] = taken.level_mm, True
    return replace(basis, lift_mm=lift, held=held)


def conditioned(basis: RecheckBasis) -> RecheckBasis:
    """The basis with all its readings taken in: seats, their covariance, and the crowns that hang together with them."""
    basis = standing(basis)
    evidence = evidence_of(basis, taken_of(basis))
    if not len(evidence.levels):
        return basis
    basis = widened(basis, times_erred(basis, evidence))
    residual, weight = misfit(basis, evidence)
    cross = basis.covariance_mm2 @ evidence.rows.T
    cov = basis.covariance_mm2 - cross @ weight @ cross.T
    crown_cross = basis.crown_covariance_mm2 @ evidence.rows.T
    return replace(
        basis, mean_mm=basis.mean_mm + cross @ weight @ residual, covariance_mm2=0.5 * (cov + cov.T),
        crown_mm=basis.crown_mm + crown_cross @ weight @ residual,
        crown_covariance_mm2=basis.crown_covariance_mm2 - crown_cross @ weight @ cross.T,
    )  # fmt: skip
