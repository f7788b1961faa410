"""Modules that touch become one array, with rows and columns counted from its front left, lines, runs and seams."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rowplane.model import Array, Line, Module, ModuleArray, Orientation

ALIGN_MM = 2.0
"""Fronts of one row, and seams of one column, may differ by this much (an agreed layout comes in rounded figures)."""


def groups_of(rects_mm: Array, gap_mm: float, widest_gap_mm: float) -> NDArray[np.int64]:
    """Number of the group of each module `(n, 4)` → `(n,)`; counted from the front left.

    Modules of a row touch across a gap up to `widest_gap_mm` (an expansion gap); rows touch across `gap_mm` only, and
    where they share some of their width.
    """
    n = len(rects_mm)
    if n == 0:
        return np.zeros(0, dtype=np.int64)
    u0, v0, u1, v1 = (rects_mm[:, k] for k in range(4))
    apart_u, apart_v = u0[None, :] - u1[:, None], v0[None, :] - v1[:, None]
    shared = np.minimum(u1[None, :], u1[:, None]) - np.maximum(u0[None, :], u0[:, None])
    level = np.abs(v0[None, :] - v0[:, None]) <= ALIGN_MM
    beside = level & (apart_u > -ALIGN_MM) & (apart_u <= widest_gap_mm + ALIGN_MM)
    above = (apart_v > -ALIGN_MM) & (apart_v <= gap_mm + ALIGN_MM) & (shared > gap_mm + ALIGN_MM)
    near = np.argwhere(beside | above)
    graph = coo_matrix((np.ones(len(near)), (near[:, 0], near[:, 1])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    corner = [(v0[label == k].min(), u0[label == k].min(), k) for k in range(label.max() + 1)]
    rank = np.empty(len(corner), dtype=np.int64)
    rank[[k for *_, k in sorted(corner)]] = np.arange(len(corner))
    return np.asarray(rank[label], dtype=np.int64)


def module_array(
    name: str, face: str, orientation: Orientation, sides_mm: tuple[float, float], gap_mm: float, rects_mm: Array, bound: int
) -> ModuleArray:
    """One group of modules as an array; `rects_mm` `(n, 4)`, n ≥ 1, sides along u and v."""
    row = _counted(rects_mm[:, 1])
    column = _columns(rects_mm, row, sides_mm[0])
    order = np.lexsort((column, row))
    modules = tuple(
        Module(f"{name}-r{row[k]}c{column[k]}", int(row[k]), int(column[k]), tuple(float(x) for x in rects_mm[k]))  # type: ignore[arg-type]
        for k in order
    )
    return ModuleArray(name, face, orientation, sides_mm[0], sides_mm[1], gap_mm, modules, lines_of(modules, gap_mm), bound)


def lines_of(modules: Sequence[Module], gap_mm: float) -> tuple[Line, ...]:
    """Lines of one array: front edge of row 1, middle of each gap between rows, top edge of the last row."""
    if not modules:
        return ()
    last = max(m.row for m in modules)
    lines = []
    for index in range(last + 1):
        below = [m for m in modules if m.row == index]
        above = [m for m in modules if m.row == index + 1]
        ends = [m.rect_mm[3] for m in below], [m.rect_mm[1] for m in above]
        v = float(np.mean([np.mean(e) for e in ends if e]))
        runs = _joined([(m.rect_mm[0], m.rect_mm[2]) for m in (*below, *above)], gap_mm)
        lines.append(Line(index, v, runs, _merged(_seams(below, gap_mm) + _seams(above, gap_mm))))
    return tuple(lines)


def _counted(values: Array) -> NDArray[np.int64]:
    """1, 2, 3… for values in ascending order, equal within ALIGN_MM."""
    order = np.argsort(values, kind="stable")
    step = np.diff(values[order]) > ALIGN_MM
    number = np.empty(len(values), dtype=np.int64)
    number[order] = 1 + np.concatenate([[0], np.cumsum(step)])
    return number


def _columns(rects_mm: Array, row: NDArray[np.int64], along_u_mm: float) -> NDArray[np.int64]:
    """Columns across the whole array where seams line up; else counted along each row."""
    column = _counted(rects_mm[:, 0])
    starts = [rects_mm[column == k, 0].min() for k in range(1, column.max() + 1)]
    if all(b - a > along_u_mm - ALIGN_MM for a, b in pairwise(starts)):
        return column
    for k in np.unique(row):
        column[row == k] = _counted(rects_mm[row == k, 0])
    return column


def _joined(spans: list[tuple[float, float]], gap_mm: float) -> tuple[tuple[float, float], ...]:
    runs: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if runs and start - runs[-1][1] <= gap_mm + ALIGN_MM:
            runs[-1] = (runs[-1][0], max(end, runs[-1][1]))
        else:
            runs.append((start, end))
    return tuple(runs)


def _seams(row: list[Module], gap_mm: float) -> list[float]:
    rects = sorted(m.rect_mm for m in row)
    return [0.5 * (a[2] + b[0]) for a, b in pairwise(rects) if b[0] - a[2] <= gap_mm + ALIGN_MM]


def _merged(seams: list[float]) -> tuple[float, ...]:
    """Seams of both rows, those that line up named once."""
    kept: list[float] = []
    for seam in sorted(seams):
        if not kept or seam - kept[-1] > ALIGN_MM:
            kept.append(seam)
    return tuple(kept)
