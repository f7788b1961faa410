"""Strips along a face's edges that are not the face: caps, valley trays, gutters, flashings."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from rowplane.model import Array, Edge

DEPTH_MM = 360.0
BEYOND_MM = 1000.0
"""The inside that a strip is compared with ends here: two courses or three columns."""
STRIP_MM = 15.0
POINTS_PER_STRIP, FEWEST = 40, 8
LEAST_OFF_MM = 14.0


def edge_strips(uvh: Array, edges: tuple[Edge, ...]) -> tuple[float, ...]:
    """Depth in mm, per edge, of the strip that leaves the sheet; from points `(n, 3)`: u, v, height over the sheet, mm.

    Averaged along an edge the tile relief cancels; a strip whose mean still differs from the inside is something else.
    """
    cuts = []
    for edge in edges:
        away, along, length = _place(uvh[:, :2], edge)
        beside = (along > 0.0) & (along < length) & (away > 0.0) & (away < BEYOND_MM)
        cuts.append(_cut(away[beside], uvh[beside, 2]))
    return tuple(cuts)


def core(outline: Polygon, edges: tuple[Edge, ...], cuts: tuple[float, ...]) -> BaseGeometry:
    """The outline without its edge strips, in several parts where they cut a neck."""
    strips = [
        LineString([edge.start_uv, edge.end_uv]).buffer(cut) for edge, cut in zip(edges, cuts, strict=True) if cut > 0
    ]
    return outline.difference(shapely.unary_union(strips)) if strips else outline


def _place(uv: Array, edge: Edge) -> tuple[Array, Array, float]:
    """Distance inwards from an edge, place along it, and its length."""
    start, end = np.array(edge.start_uv), np.array(edge.end_uv)
    length = float(np.linalg.norm(end - start))
    run = (end - start) / max(length, 1e-9)
    offset = uv - start
    return offset @ np.array([-run[1], run[0]]), offset @ run, length


def _cut(away: Array, height: Array) -> float:
    """Depth up to which strips differ from those inside; 0 where the outermost strip already fits."""
    if len(away) < 2 * POINTS_PER_STRIP:
        return 0.0
    width = max(STRIP_MM, BEYOND_MM * POINTS_PER_STRIP / len(away))
    place = (away / width).astype(int)
    many = np.bincount(place)
    mean = np.bincount(place, height) / np.maximum(many, 1)
    depth = (np.arange(len(mean)) + 0.5) * width
    within = (depth > DEPTH_MM) & (many >= FEWEST)
    if within.sum() < 2:
        return 0.0
    usual = float(np.median(mean[within]))
    between = 4.0 * 1.4826 * float(np.median(np.abs(mean[within] - usual)))
    # Few points in a strip: its mean, and that of the inside, scatter by chance alone.
    scatter = 1.4826 * float(np.median(np.abs(height - np.median(height))))
    chance = 3.7 * scatter * np.sqrt(1 / np.maximum(many, 1) + 1 / many[within].sum())
    limit = np.maximum(max(LEAST_OFF_MM, between), chance)
    off = (np.abs(mean - usual) > limit) & (many >= FEWEST) & (depth < DEPTH_MM)
    # From the edge inwards, one strip that happens to fit does not end a cap.
    fits = np.nonzero(~off[:-1] & ~off[1:])[0]
    first = int(fits[0]) if len(fits) else 0
    return float(first * width)
