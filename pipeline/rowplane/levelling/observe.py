"""How a reading on the roof hangs together with the hook seats: a row over them and an error variance."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

from rowplane.levelling.string_line import Strung, strings_of
from rowplane.model import Array, RecheckBasis


def string_of(basis: RecheckBasis, foot: int) -> Strung:
    """The string over the run of `foot`; KeyError where its run has none, or only a laser is advised there."""
    for string in strings_of(basis):
        if foot in string.feet and len(string.supports):
            return string
    raise KeyError(basis.foot_ids[foot])


def gap_row(basis: RecheckBasis, string: Strung, foot: int) -> Array:
    """Gap at `foot` over the hook seats `(h,)`: the string follows the rail tops at its supports, the gap is above the foot's.

    gap = Σ share·(rail top + lift + packer at the supports) − sag − rail top at the foot.
    """
    row = -basis.influence[foot]
    for support, share in string_shares(basis, string, foot):
        row = row + share * basis.influence[support]
    return np.asarray(row)


def string_shares(basis: RecheckBasis, string: Strung, foot: int) -> tuple[tuple[int, float], ...]:
    """The two supports of the string beside `foot` and the share each has in the chord's height there."""
    u, at = basis.foot_u_mm, basis.foot_u_mm[foot]
    k = int(np.clip(np.searchsorted(u[string.supports], at) - 1, 0, len(string.supports) - 2))
    left, right = int(string.supports[k]), int(string.supports[k + 1])
    share = float((at - u[left]) / (u[right] - u[left]))
    return ((left, 1 - share), (right, share))


def gap_variance(basis: RecheckBasis, string: Strung, foot: int) -> float:
    """Error variance, mm², of a gap: the rule's, and that of the sag, which is known as well as the string's pull."""
    sag = float(string.sag_mm[string.feet == foot][0])
    return basis.limits.reading_sd_mm**2 + (basis.limits.string_pull_share * sag) ** 2


def height_variance(basis: RecheckBasis) -> float:
    """Error variance, mm² along w, of a levelled rail top: the reading, and a mark that is off along the slope.

    A staff that stands δ too far up reads δ·sin(pitch) too much; both errors are vertical, w is their share 1/cos(pitch).
    """
    limits = basis.limits
    vertical = limits.reading_sd_mm**2 + (limits.mark_sd_mm * float(basis.up[1])) ** 2
    return vertical / float(basis.up[2]) ** 2


def rail_row(basis: RecheckBasis, rail: str, v_mm: float) -> Array:
    """Rail top at `v_mm` on `rail` over the hook seats `(h,)`: natural cubic spline, straight on beyond the outer hooks."""
    mine = np.array([j for j, name in enumerate(basis.hook_rails) if name == rail])
    row = np.zeros(len(basis.hook_ids))
    row[mine] = spline_rows(basis.hook_v_mm[mine], np.array([v_mm]))[0]
    return row


def spline_rows(hook_v_mm: Array, at_v_mm: Array) -> Array:
    """Weights `(n, h)` of the natural cubic spline through two hooks or more at `at_v_mm`; order of hooks is free."""
    order = np.argsort(hook_v_mm, kind="stable")
    v = hook_v_mm[order]
    inside = np.clip(at_v_mm, v[0], v[-1])
    if len(v) == 2:
        share = (at_v_mm - v[0]) / (v[1] - v[0])
        rows = np.column_stack([1 - share, share])
    else:
        spline = CubicSpline(v, np.eye(len(v)), bc_type="natural")
        rows = spline(inside) + spline(inside, 1) * (at_v_mm - inside)[:, None]
    unsorted = np.empty_like(rows)
    unsorted[:, order] = rows
    return unsorted
