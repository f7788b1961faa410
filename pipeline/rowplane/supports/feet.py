"""Where feet stand on the rails, what kind they are, and how much module each of them carries."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rowplane.model import Array
from rowplane.supports.grid import Chain, Grid


@dataclass(frozen=True)
class Spot:
    """A foot before it has a name: line, rail (index) and position."""

    line: int
    rail: int
    u_mm: float
    v_mm: float


def spots_of(grid: Grid, rails: Sequence[tuple[float, int, int]]) -> tuple[Spot, ...]:
    """A foot wherever a rail (u, first row, last row) crosses a line; by rail, then up the slope."""
    return tuple(
        Spot(line, k, u, grid.line_v(line)) for k, (u, first, last) in enumerate(rails) for line in range(first - 1, last + 1)
    )


def kind_of(grid: Grid, spot: Spot) -> str:
    """front, seam or top by the rows that meet there; `+joiner` where the foot meets two neighbours of one row."""
    rows = [module.row for module, _ in grid.touched(spot.line, spot.u_mm)]
    below, above = spot.line in rows, spot.line + 1 in rows
    kind = "seam" if below and above else ("front" if above else "top")
    return kind + "+joiner" if len(rows) > len(set(rows)) else kind


def run_of(grid: Grid, spot: Spot) -> int:
    """Index of the run of its line that a foot belongs to: the one it stands in, else the nearest."""
    line = next(one for one in grid.array.lines if one.index == spot.line)
    away = [max(start - spot.u_mm, spot.u_mm - end, 0.0) for start, end in line.runs]
    return int(np.argmin(away))


def module_areas_m2(grid: Grid, spots: Sequence[Spot]) -> Array:
    """Module area that each foot carries `(feet,)`: half the depth of a row, halfway to its neighbours along the line.

    Adds up to the area of all modules that are held at both edges.
    """
    area = np.zeros(len(spots))
    for chain in grid.chains:
        for line in (chain.row - 1, chain.row):
            on = [k for k, s in enumerate(spots) if s.line == line and chain.start_mm <= s.u_mm <= chain.end_mm]
            on.sort(key=lambda k: spots[k].u_mm)
            marks = [spots[k].u_mm for k in on]
            edges = [chain.start_mm, *(0.5 * (a + b) for a, b in itertools.pairwise(marks)), chain.end_mm]
            for k, low, high in zip(on, edges, edges[1:], strict=False):
                area[k] += _covered_mm2(chain, low, high) / 2e6
    return area


def _covered_mm2(chain: Chain, low: float, high: float) -> float:
    total = 0.0
    for module in chain.modules:
        left, front, right, top = module.rect_mm
        total += max(0.0, min(high, right) - max(low, left)) * (top - front)
    return total
