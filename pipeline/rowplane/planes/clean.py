"""Strips along a face's edges that are not the face: caps, valley trays, gutters, flashings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rowplane.model import Array, Edge

DEPTH_MM = 360.0
STRIP_MM = 40.0
POINTS_PER_STRIP = 30
LEAST_OFF_MM = 12.0


def own_points(uv: Array, height: Array, edges: tuple[Edge, ...]) -> NDArray[np.bool_]:
    """Which points `(n, 2)` with `height` `(n,)` over the sheet lie clear of edge strips that leave the sheet.

    Averaged along an edge the tile relief cancels; a strip whose mean still differs from the inside is something else.
    """
    keep = np.ones(len(uv), dtype=bool)
    inner = np.ones(len(uv), dtype=bool)
    places = [_place(uv, edge) for edge in edges]
    for away, along, length in places:
        inner &= ~((away < 500.0) & (along > 0) & (along < length))
    if inner.sum() < 50:
        return keep
    usual, scatter = float(height[inner].mean()), float(height[inner].std())
    for away, along, length in places:
        beside = (along > 0.0) & (along < length) & (away < DEPTH_MM + 200.0)
        cut = _cut(away[beside], height[beside], usual, scatter)
        keep &= ~(beside & (away < cut))
    return keep


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
