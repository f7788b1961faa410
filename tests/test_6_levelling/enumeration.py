"""The array plane by enumeration: every choice of packers, every corner of the space of planes. No solver.

Independent of the program under test on purpose: it shares the task's numbers, none of its code.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from rowplane.levelling.program import Task
from rowplane.model import Array

EPS = 1e-7


@dataclass(frozen=True)
class Best:
    """Lexicographic optimum: total shortfall, packers, greatest adjustment, total turning (NaN after a shortfall)."""

    shortfall: float
    packers: float
    greatest: float
    turning: float


def limits_of(task: Task) -> tuple[Array, Array]:
    """Rows and right sides of what the plane itself must keep: rows · x ≤ rhs."""
    eye = np.eye(len(task.upper))[1:]
    rows = np.vstack([-task.crowns, task.corners, eye, -eye])
    rhs = np.concatenate([-task.floor, np.full(len(task.corners), task.ceiling), task.upper[1:], -task.lower[1:]])
    return rows, rhs


def corners_of(rows: Array, rhs: Array) -> Array:
    """All points where as many planes `rows · x = rhs` meet as there are unknowns, `(n, d)`."""
    d = rows.shape[1]
    pick = np.array(list(combinations(range(len(rows)), d)))
    a, b = rows[pick], rhs[pick]
    good = np.abs(np.linalg.det(a)) > 1e-7
    return np.linalg.solve(a[good], b[good][..., None])[..., 0]


def enumerate_best(task: Task) -> Best:
    """Try all packers; cheapest first by what the goals ask for."""
    options = [(0.0, 0.0), *zip(task.packers, task.pieces, strict=True)]
    f, h = task.influence.shape
    choices = []
    for pick in product(options, repeat=f + h):
        heights = np.array([p[0] for p in pick])
        rail = task.rail + task.influence @ heights[f:] + heights[:f]
        choices.append((sum(p[1] for p in pick), rail))
    choices.sort(key=lambda c: c[0])
    level = None
    found: list[Array] = []
    for pieces, rail in choices:
        if level is not None and pieces > level:
            break
        if _feasible(task, rail):
            level = pieces
            found.append(rail)
    if level is None:
        return _fallen_short(task, choices)
    greatest = min(_greatest(task, rail) for rail in found)
    turning = min(_turning(task, rail, greatest) for rail in found)
    return Best(0.0, level, greatest, turning)


def _feasible(task: Task, rail: Array) -> bool:
    rows, rhs = limits_of(task)
    rows = np.vstack([rows, task.feet, -task.feet])
    rhs = np.concatenate([rhs, rail + task.high, -rail - task.low])
    x = corners_of(rows, rhs)
    return bool(np.any(np.all(x @ rows.T <= rhs + EPS, axis=1)))


def _greatest(task: Task, rail: Array) -> float:
    rows, rhs = limits_of(task)
    rows, rhs = np.vstack([rows, task.feet, -task.feet]), np.concatenate([rhs, rail + task.high, -rail - task.low])
    rows = np.hstack([rows, np.zeros((len(rows), 1))])
    size = np.hstack([np.vstack([task.feet, -task.feet]), -np.ones((2 * len(rail), 1))])
    rows, rhs = np.vstack([rows, size]), np.concatenate([rhs, rail + task.middle, -rail - task.middle])
    y = corners_of(rows, rhs)
    y = y[np.all(y @ rows.T <= rhs + EPS, axis=1)]
    return float(y[:, -1].min(initial=np.inf))


def _turning(task: Task, rail: Array, greatest: float) -> float:
    rows, rhs = limits_of(task)
    reach = min(greatest + 1e-6, task.high - task.middle)
    low = max(-greatest - 1e-6, task.low - task.middle)
    rows = np.vstack([rows, task.feet, -task.feet])
    rhs = np.concatenate([rhs, rail + task.middle + reach, -rail - task.middle - low])
    x = corners_of(np.vstack([rows, task.feet]), np.concatenate([rhs, rail + task.middle]))
    x = x[np.all(x @ rows.T <= rhs + EPS, axis=1)]
    size = np.abs(x @ task.feet.T - rail - task.middle).sum(axis=1)
    return float(size.min(initial=np.inf))


def _fallen_short(task: Task, choices: list[tuple[float, Array]]) -> Best:
    rows, rhs = limits_of(task)
    least, fewest = np.inf, np.inf
    for pieces, rail in choices:
        x = corners_of(np.vstack([rows, task.feet, task.feet]), np.concatenate([rhs, rail + task.high, rail + task.low]))
        x = x[np.all(x @ rows.T <= rhs + EPS, axis=1)]
        lift = x @ task.feet.T - rail
        short = np.maximum(np.maximum(lift - task.high, task.low - lift), 0.0).sum(axis=1).min(initial=np.inf)
        if short < least - 1e-6:
            least, fewest = float(short), pieces
        elif short <= least + 1e-6:
            fewest = min(fewest, pieces)
    return Best(least, fewest, np.nan, np.nan)
