"""What eye and glass notice: steps at seams, kinks along rows, twist of modules, the array against eave and ridge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowplane.model import Array, RecheckBasis


@dataclass(frozen=True)
class Glance:
    """Greatest figures of one array, mm, each with the module (or two) that shows it; 0 and '' where there is none.

    `step_mm` between neighbours' planes at their seam, `kink_mm` of a row's edge off its neighbours' chord at a seam,
    `twist_mm` of a module's fourth corner off the plane of the other three.
    """

    step_mm: float
    step_at: str
    kink_mm: float
    kink_at: str
    twist_mm: float
    twist_at: str


def glance_of(basis: RecheckBasis, off_mm: Array) -> Glance:
    """Figures from the distances `off_mm` `(f,)` of the seats expected from the array plane.

    A module's corner follows the line of feet it lies on: straight between feet and straight on beyond the outer ones; a
    module is the least-squares plane of its four corners. Rows without feet on one of their edges are left out.
    """
    corners = {i: c for i in range(len(basis.module_ids)) if (c := _corners(basis, i, off_mm)) is not None}
    step, step_at, kink, kink_at, twist, twist_at = 0.0, "", 0.0, "", 0.0, ""
    for i, c in corners.items():
        if (size := abs(c[0] - c[1] + c[2] - c[3])) > twist:
            twist, twist_at = float(size), basis.module_ids[i]
        j = _right_of(basis, i)
        if j is None or j not in corners:
            continue
        names = f"{basis.module_ids[i]} and {basis.module_ids[j]}"
        if (size := _step(c, corners[j])) > step:
            step, step_at = size, names
        if (size := _kink(basis, i, j, c, corners[j])) > kink:
            kink, kink_at = size, names
    return Glance(step, step_at, kink, kink_at, twist, twist_at)


def _corners(basis: RecheckBasis, module: int, off: Array) -> Array | None:
    """Distances from the plane at front left, front right, top right, top left `(4,)`."""
    left, front, right, top = basis.modules_mm[module]
    ends = []
    for v in (front, top):
        line = _line_at(basis, v, left, right)
        if line is None:
            return None
        feet = np.flatnonzero(line)
        feet = feet[np.argsort(basis.foot_u_mm[feet], kind="stable")]
        ends.append(_along(np.array([left, right]), basis.foot_u_mm[feet], off[feet]))
    return np.array([ends[0][0], ends[0][1], ends[1][1], ends[1][0]])


def _line_at(basis: RecheckBasis, v: float, left: float, right: float) -> Array | None:
    """Mask of the feet of the run that carries the edge at `v` from `left` to `right`; None without one."""
    reach = 60.0  # a line runs in the gap between rows, a few centimetres at most from the edges it carries
    close = np.abs(basis.foot_v_mm - v) <= reach
    if not close.any():
        return None
    line = basis.foot_lines[close][np.argmin(np.abs(basis.foot_v_mm[close] - v))]
    on_line = basis.foot_lines == line
    miss = np.maximum(np.maximum(left - basis.foot_u_mm, basis.foot_u_mm - right), 0.0)
    run = basis.foot_runs[on_line][np.argmin(miss[on_line])]
    return np.asarray(on_line & (basis.foot_runs == run))


def _along(at: Array, u: Array, off: Array) -> Array:
    if len(u) == 1:
        return np.full(len(at), off[0])
    k = np.clip(np.searchsorted(u, at) - 1, 0, len(u) - 2)
    return np.asarray(off[k] + (at - u[k]) * (off[k + 1] - off[k]) / (u[k + 1] - u[k]))


def _right_of(basis: RecheckBasis, i: int) -> int | None:
    same = (basis.module_rows == basis.module_rows[i]) & (basis.module_columns == basis.module_columns[i] + 1)
    found = np.flatnonzero(same)
    return int(found[0]) if len(found) else None


def _flat(c: Array) -> Array:
    """Corners of the least-squares plane of a rectangle's corners: what is left is the twist, spread evenly."""
    return np.asarray(c - 0.25 * (c[0] - c[1] + c[2] - c[3]) * np.array([1.0, -1.0, 1.0, -1.0]))


def _step(c: Array, d: Array) -> float:
    a, b = _flat(c), _flat(d)
    return float(max(abs(a[1] - b[0]), abs(a[2] - b[3])))


def _kink(basis: RecheckBasis, i: int, j: int, c: Array, d: Array) -> float:
    """How far the seam stands off the chord over both modules, at front and top edge."""
    left, right = basis.modules_mm[i], basis.modules_mm[j]
    seam = 0.5 * (left[2] + right[0])
    share = (seam - left[0]) / (right[2] - left[0])
    front = 0.5 * (c[1] + d[0]) - ((1 - share) * c[0] + share * d[1])
    top = 0.5 * (c[2] + d[3]) - ((1 - share) * c[3] + share * d[2])
    return float(max(abs(front), abs(top)))
