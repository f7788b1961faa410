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
    residual, weight = misfit(basis, evidence)
    cross = basis.covariance_mm2 @ evidence.rows.T
    cov = basis.covariance_mm2 - cross @ weight @ cross.T
    crown_cross = basis.crown_covariance_mm2 @ evidence.rows.T
    return replace(
        basis, mean_mm=basis.mean_mm + cross @ weight @ residual, covariance_mm2=0.5 * (cov + cov.T),
        crown_mm=basis.crown_mm + crown_cross @ weight @ residual,
        crown_covariance_mm2=basis.crown_covariance_mm2 - crown_cross @ weight @ cross.T,
    )  # fmt: skip
