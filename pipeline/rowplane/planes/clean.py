"""Strips along a face's edges that are not the face: caps, valley trays, gutters, flashings."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from rowplane.model import Array, Edge

DEPTH_MM = 360.0
STRIP_MM = 40.0
POINTS_PER_STRIP = 30
LEAST_OFF_MM = 12.0


def edge_strips(uvh: Array, edges: tuple[Edge, ...]) -> tuple[float, ...]:
    """Depth in mm, per edge, of the strip that leaves the sheet; from points `(n, 3)`: u, v, height over the sheet, mm.

    Averaged along an edge the tile relief cancels; a strip whose mean still differs from the inside is something else.
    """
    inner = np.ones(len(uvh), dtype=bool)
    places = [_place(uvh[:, :2], edge) for edge in edges]
    for away, along, length in places:
        inner &= ~((away < 500.0) & (along > 0) & (along < length))
    if inner.sum() < 50:
        return (0.0,) * len(edges)
    usual, scatter = float(uvh[inner, 2].mean()), float(uvh[inner, 2].std())
    cuts = []
    for away, along, length in places:
        beside = (along > 0.0) & (along < length) & (away < DEPTH_MM + 200.0)
        cuts.append(_cut(away[beside], uvh[beside, 2], usual, scatter))
    return tuple(cuts)


def core(outline: Polygon, edges: tuple[Edge, ...], cuts: tuple[float, ...]) -> Polygon:
    """The outline without its edge strips."""
    strips = [
        LineString([edge.start_uv, edge.end_uv]).buffer(cut) for edge, cut in zip(edges, cuts, strict=True) if cut > 0
    ]
    left = outline.difference(shapely.unary_union(strips)) if strips else outline
    parts = [g for g in getattr(left, "geoms", [left]) if isinstance(g, Polygon)]
    return max(parts, key=lambda g: g.area) if parts else outline


def _place(uv: Array, edge: Edge) -> tuple[Array, Array, float]:
    """Distance inwards from an edge, place along it, and its length."""
    start, end = np.array(edge.start_uv), np.array(edge.end_uv)
    length = float(np.linalg.norm(end - start))
    run = (end - start) / max(length, 1e-9)
    offset = uv - start
    return offset @ np.array([-run[1], run[0]]), offset @ run, length


def _cut(away: Array, height: Array, usual: float, scatter: float) -> float:
    """Depth up to which strips differ from the inside; 0 where the outermost strip already fits."""
    many = int(((away > 0) & (away < DEPTH_MM)).sum())
    width = max(STRIP_MM, DEPTH_MM * POINTS_PER_STRIP / max(many, 1))
    cut = 0.0
    for start in np.arange(0.0, DEPTH_MM, width):
        strip = height[(away >= start) & (away < start + width)]
        if len(strip) < 8:
            continue
        limit = LEAST_OFF_MM + 3.0 * scatter / np.sqrt(len(strip))
        if abs(float(strip.mean()) - usual) < limit:
            break
        cut = float(start + width)
    return cut
