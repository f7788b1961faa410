"""The Gaussian of hook seats conditioned on gaps and heights, the unknown level of each file's heights taken out exactly."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular

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

SMOOTH_MM = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0)
"""Sizes, sd, of a smooth error that a survey may turn out to have on top of what it says."""

SMOOTH_LENGTHS_MM = (2000.0, 3000.0, 4000.0)
"""Lengths over which such an error stays alike: what photogrammetry of a roof does (common practice, no source)."""

MOST_ERRED_MM = 25.0
"""No survey that was fit for foot heights errs by more at a typical foot, sd: readings further off belong to another roof."""

FEWEST_TO_TELL = 4
"""Readings below which the survey's own word is taken: one that is off is then more likely a slip than the survey."""

MORE_TO_TELL = 1.0
"""By what factor, in powers of e, readings must be likelier where the survey errs otherwise than it says."""

SLIP = float(np.log(50 * 200.0))
"""What a slip costs in powers of e: one reading in fifty is one, and stands anywhere over 200 mm (assumed)."""

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


@dataclass(frozen=True)
class Erred:
    """How a survey errs: `times` as much as it says, and smoothly by `smooth_mm` (sd) over `length_mm` on top of that."""

    times: float = 1.0
    smooth_mm: float = 0.0
    length_mm: float = SMOOTH_LENGTHS_MM[0]


AS_SAID = Erred()
SMOOTHLY = tuple(Erred(1.0, size, length) for length in SMOOTH_LENGTHS_MM for size in SMOOTH_MM)


def roughly_erred(basis: RecheckBasis, evidence: Evidence) -> Erred:
    """How many times its stated error the survey errs, while slips may still be among the readings.

    By the median of the standardised misses, which a few slips do not move: as it says unless that lies further above a normal
    distribution's than chance allows (about 1 in 100), and then the least factor counts that brings it back. As it says too
    where no factor does within MOST_ERRED_MM: then the readings are looked at one by one.
    """
    n = len(evidence.levels)
    if n < FEWEST_TO_TELL:
        return AS_SAID
    limit = HALF + 2.0 / np.sqrt(n)
    for way in map(Erred, _factors(basis)):
        size, _ = standardised(*misfit(widened(basis, way), evidence))
        if float(np.median(size)) <= limit:
            return way
        limit = 1.2 * HALF
    return AS_SAID


def likely_erred(basis: RecheckBasis, evidence: Evidence) -> Erred:
    """How the survey errs by readings that were all found good: by the likeliest factor, or the likeliest smooth error.

    As it says unless another way is likelier by a factor of e, what one more parameter must win (Akaike 1974, from memory).
    """
    ways = (AS_SAID,) if len(evidence.levels) < FEWEST_TO_TELL else (*map(Erred, _factors(basis)), *SMOOTHLY)
    score = _likelihoods(basis, evidence, ways)
    best = int(np.argmax(score))
    return ways[best] if score[best] > score[0] + MORE_TO_TELL else AS_SAID


def smoothly_erred(basis: RecheckBasis, evidence: Evidence) -> Erred:
    """The likeliest smooth error of the survey, whether the readings ask for one or not."""
    return SMOOTHLY[int(np.argmax(_likelihoods(basis, evidence, SMOOTHLY)))]


def plausible(basis: RecheckBasis, evidence: Evidence, slips: int) -> float:
    """Logarithm of how likely it is that these readings were good and `slips` more were not, but for a constant."""
    way = likely_erred(basis, evidence)
    (score,) = _likelihoods(basis, evidence, (way,))
    return float(score - 0.5 * np.log(2 * np.pi) * len(evidence.levels) - MORE_TO_TELL * (way != AS_SAID) - SLIP * slips)


def _likelihoods(basis: RecheckBasis, evidence: Evidence, ways: tuple[Erred, ...]) -> list[float]:
    """Logarithm of the readings' restricted likelihood for each way, but for a constant, the levels of heights integrated out.

    Patterson and Thompson (1971), from memory.
    """
    rows, hooks = evidence.rows, hook_places(basis)
    scatter = basis.limits.hook_seat_sd_mm**2 * rows @ rows.T
    survey, residual = rows @ basis.covariance_mm2 @ rows.T - scatter, evidence.levels - rows @ basis.mean_mm
    smooth = {length: rows @ alike(hooks, hooks, length) @ rows.T for length in {way.length_mm for way in ways}}
    found = []
    for way in ways:
        spread = way.times**2 * survey + scatter + way.smooth_mm**2 * smooth[way.length_mm] + np.diag(evidence.variance)
        root = np.linalg.cholesky(spread)
        half = solve_triangular(root, np.column_stack([residual, evidence.datums]), lower=True)
        inner, across, levels = half[:, 0] @ half[:, 0], half[:, 0] @ half[:, 1:], half[:, 1:].T @ half[:, 1:]
        off = inner - across @ np.linalg.solve(levels, across)
        found.append(float(-np.sum(np.log(np.diag(root))) - 0.5 * (np.linalg.slogdet(levels)[1] + off)))
    return found


def _factors(basis: RecheckBasis) -> tuple[float, ...]:
    survey = basis.covariance_mm2 - basis.limits.hook_seat_sd_mm**2 * np.eye(len(basis.hook_ids))
    typical = float(np.sqrt(np.mean(np.sum((basis.influence @ survey) * basis.influence, axis=1))))
    return tuple(times for times in MOST_TIMES if times == 1.0 or times * typical <= MOST_ERRED_MM)


def widened(basis: RecheckBasis, way: Erred) -> RecheckBasis:
    """The basis with the survey's error taken as large as `way` has it; what hooks scatter stays."""
    if way == AS_SAID:
        return basis
    scatter, hooks = basis.limits.hook_seat_sd_mm**2 * np.eye(len(basis.hook_ids)), hook_places(basis)
    smooth, crowns = (way.smooth_mm**2 * alike(at, hooks, way.length_mm) for at in (hooks, basis.clear_uv_mm))
    return replace(
        basis, covariance_mm2=way.times**2 * (basis.covariance_mm2 - scatter) + scatter + smooth,
        crown_covariance_mm2=way.times**2 * basis.crown_covariance_mm2 + crowns,
    )  # fmt: skip


def hook_places(basis: RecheckBasis) -> Array:
    """u, v of the hooks `(h, 2)`, mm."""
    return np.column_stack([basis.hook_u_mm, basis.hook_v_mm])


def alike(uv_mm: Array, other_uv_mm: Array, length_mm: float) -> Array:
    """Correlation `(n, m)` of a smooth survey error between points `(n, 2)` and `(m, 2)`: exp(−d²/2l²)."""
    apart = ((uv_mm[:, None, :] - other_uv_mm[None, :, :]) ** 2).sum(axis=2)
    return np.asarray(np.exp(-0.5 * apart / length_mm**2))


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
    basis = widened(basis, likely_erred(basis, evidence))
    residual, weight = misfit(basis, evidence)
    cross = basis.covariance_mm2 @ evidence.rows.T
    cov = basis.covariance_mm2 - cross @ weight @ cross.T
    crown_cross = basis.crown_covariance_mm2 @ evidence.rows.T
    return replace(
        basis, mean_mm=basis.mean_mm + cross @ weight @ residual, covariance_mm2=0.5 * (cov + cov.T),
        crown_mm=basis.crown_mm + crown_cross @ weight @ residual,
        crown_covariance_mm2=basis.crown_covariance_mm2 - crown_cross @ weight @ cross.T,
    )  # fmt: skip
