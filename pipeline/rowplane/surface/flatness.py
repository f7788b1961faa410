"""How far a substrate is from flat: gaps under straightedges, flatness zones, sag of lines up the slope."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, QhullError

from rowplane.geometry import fit_plane
from rowplane.model import Array, Flatness

STRAIGHTEDGES_MM = (1000.0, 2000.0, 4000.0)
SHORTEST_LINE_MM = 1000.0
LEAST_STEP_MM = 100.0
FAR_MM = 1e9


def flatness_of(raster: Array, step_mm: float) -> Flatness:
    """Figures of a height raster `(nv, nu)`, mm, NaN outside the face; zeros where nothing is seen."""
    every = max(int(np.ceil(LEAST_STEP_MM / step_mm - 1e-9)), 1)
    raster, step_mm = raster[::every, ::every], step_mm * every
    v, u = np.nonzero(np.isfinite(raster))
    points = np.column_stack([u * step_mm, v * step_mm, raster[v, u]])
    gaps = tuple(
        (length, name, gap)
        for name, lines in (("along", raster), ("up", raster.T))
        for length, gap in zip(STRAIGHTEDGES_MM, gaps_under(lines, step_mm, STRAIGHTEDGES_MM), strict=True)
    )
    lsq, least = zones(points) if len(points) > 3 else (0.0, 0.0)
    sag, share = worst_sag(raster, step_mm)
    return Flatness(gaps, lsq, least, sag, share)


def gaps_under(lines: Array, step_mm: float, lengths_mm: tuple[float, ...]) -> tuple[float, ...]:
    """Greatest gap under straightedges of `lengths_mm` laid on two high points of a line (DIN 18202 way; not levelled).

    `lines` `(m, n)`, each row a line sampled every `step_mm`, NaN where there is nothing. The edge that rests on the two
    highest points is the upper hull of what it covers; over all pairs of points no chord stands further off than that.
    """
    n = lines.shape[1]
    spans = [min(int(length / step_mm + 1e-9), n - 1) for length in lengths_mm]
    seen = np.isfinite(lines)
    ends, under = np.where(seen, lines, -FAR_MM), np.where(seen, lines, FAR_MM)
    worst = np.zeros(max(*spans, 1) + 1)
    for span in range(2, len(worst)):
        for j in range(1, span):
            gap = ends[:, : n - span] * (1 - j / span) + ends[:, span:] * (j / span) - under[:, j : n - span + j]
            worst[span] = max(worst[span], float(gap.max()))
    return tuple(float(worst[: span + 1].max()) for span in spans)


def grid_gap(heights: Array) -> Array:
    """Levelling on a grid: how far each inner point lies under the middle of its two neighbours `(n − 2,)`."""
    return np.asarray((heights[:-2] + heights[2:]) / 2 - heights[1:-1])


def zones(points: Array) -> tuple[float, float]:
    """Peak-to-valley of points `(n, 3)` from the least-squares plane and from the minimum-zone plane (ISO 12781-1 FLTt).

    The minimum zone is a linear program in the frame of the least-squares plane, posed again in the frame of its own
    solution so that distances are square to the plane. Only hull points can touch the zone.
    """
    plane = fit_plane(points)
    off = (points - plane.centroid) @ plane.normal
    points, normal = _hull(points - plane.centroid), plane.normal
    least = float(np.ptp(off))
    for _ in range(3):
        axes = _axes(normal)
        local = points @ axes.T
        slopes, width = _narrowest(local)
        normal = np.array([-slopes[0], -slopes[1], 1.0]) @ axes
        normal /= np.linalg.norm(normal)
        least = min(least, float(np.ptp(points @ normal)))
        if width - least < 1e-12 * max(width, 1.0):
            break
    return float(np.ptp(off)), least


def _hull(points: Array) -> Array:
    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except QhullError:
        return points


def _axes(normal: Array) -> Array:
    helper = np.eye(3)[int(np.argmin(np.abs(normal)))]
    one = np.cross(normal, helper)
    one /= np.linalg.norm(one)
    return np.array([one, np.cross(normal, one), normal])


def _narrowest(local: Array) -> tuple[Array, float]:
    """Slopes and width of the narrowest pair of parallel planes in the third coordinate."""
    scale = np.maximum(np.ptp(local, axis=0), 1e-12)
    x, z = local[:, :2] / scale[:2], local[:, 2] / scale[2]
    ones = np.ones((len(x), 1))
    upper, lower = np.hstack([x, ones, -ones]), np.hstack([-x, -ones, -ones])
    found = linprog(
        [0, 0, 0, 1],
        np.vstack([upper, lower]),
        np.concatenate([z, -z]),
        bounds=[(None, None)] * 3 + [(0, None)],
        method="highs",
    )
    if not found.success:
        return np.zeros(2), float(np.ptp(local[:, 2]))
    return np.asarray(found.x[:2] * scale[2] / scale[:2]), float(2 * found.x[3] * scale[2])


@dataclass(frozen=True)
class SagLine:
    """A line up the slope on a raster: its column, first and last row, the row that hangs lowest, and by how much, mm."""

    column: int
    low: int
    high: int
    middle: int
    span_mm: float
    sag_mm: float


def sag_lines(raster: Array, step_mm: float) -> list[SagLine]:
    """Every line up the slope that is long enough to hang, with its sag under its chord (0 where it bows up)."""
    lines = []
    for column, line in enumerate(raster.T):
        seen = np.flatnonzero(np.isfinite(line))
        if len(seen) < 3 or (seen[-1] - seen[0]) * step_mm < SHORTEST_LINE_MM:
            continue
        under = np.interp(seen, seen[[0, -1]], line[seen[[0, -1]]]) - line[seen]
        k = int(np.argmax(under))
        span = float(seen[-1] - seen[0]) * step_mm
        lines.append(SagLine(column, int(seen[0]), int(seen[-1]), int(seen[k]), span, max(float(under[k]), 0.0)))
    return lines


def steepest_sag(raster: Array, step_mm: float) -> SagLine | None:
    """The line that sags most for its length; None where none sags."""
    return max((line for line in sag_lines(raster, step_mm) if line.sag_mm > 0), key=lambda s: s.sag_mm / s.span_mm, default=None)


def worst_sag(raster: Array, step_mm: float) -> tuple[float, float]:
    """Greatest sag of a line up the slope under its chord, mm, and the least length over sag (inf where none sags)."""
    steepest = steepest_sag(raster, step_mm)
    if steepest is None:
        return 0.0, float("inf")
    return max(line.sag_mm for line in sag_lines(raster, step_mm)), steepest.span_mm / steepest.sag_mm
