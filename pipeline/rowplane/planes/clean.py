"""Strips along a face's edges that are not the face: caps, valley trays, gutters, flashings."""

from __future__ import annotations

from dataclasses import dataclass

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
WIDEST_MM = 200.0
"""A strip that must be wider than this to hold enough points cannot tell caps and gutters from tiles."""
SURE = 600
"""Points beside an edge that tell its strip better than the other edges of the roof do."""
UNSEEN_MM = {"ridge": 130.0, "hip": 130.0, "valley": 130.0, "eave": 180.0}
"""Half of a cap or tray, and a gutter that an outline drawn from few points takes in (common practice, no source)."""


@dataclass(frozen=True)
class Beside:
    """Points along the inside of an edge: distance from it `away` `(n,)` and `height` `(n,)` over the sheet, mm."""

    away: Array
    height: Array


def beside(uvh: Array, edges: tuple[Edge, ...]) -> tuple[Beside, ...]:
    """What lies along each edge, of points `(n, 3)` in the outline: u, v, height over the sheet, mm."""
    found = []
    for edge in edges:
        away, along, length = _place(uvh[:, :2], edge)
        here = (along > 0.0) & (along < length) & (away > 0.0) & (away < BEYOND_MM)
        found.append(Beside(away[here], uvh[here, 2]))
    return tuple(found)


def edge_strips(sides: tuple[Beside, ...]) -> tuple[float | None, ...]:
    """Depth in mm, per edge, of the strip that leaves the sheet; None where too few points would tell.

    Averaged along an edge the tile relief cancels; a strip whose mean still differs from the inside is something else.
    """
    return tuple(_cut(side.away, side.height) for side in sides)


def usual_strips(edges: list[Edge], sides: list[Beside]) -> dict[str, float]:
    """Depth in mm per kind of edge from all edges of a roof together: it has the same caps all over."""
    depths = {}
    for kind in UNSEEN_MM:
        alike = [s for e, s in zip(edges, sides, strict=True) if e.kind == kind and (s.away > DEPTH_MM).any()]
        if not alike:
            continue
        height = [s.height - float(np.median(s.height[s.away > DEPTH_MM])) for s in alike]
        cut = _cut(np.concatenate([s.away for s in alike]), np.concatenate(height))
        if cut is not None:
            depths[kind] = cut
    return depths


def core(outline: Polygon, edges: tuple[Edge, ...], cuts: list[float]) -> BaseGeometry:
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


def _cut(away: Array, height: Array) -> float | None:
    """Depth up to which strips differ from those inside; 0 where the outermost strip already fits, None for too few points."""
    width = max(STRIP_MM, BEYOND_MM * POINTS_PER_STRIP / max(len(away), 1))
    if width > WIDEST_MM:
        return None
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
    off = (np.abs(mean - usual) > limit) & (many >= FEWEST) & (depth + 0.5 * width < DEPTH_MM)
    # From the edge inwards, one strip that happens to fit does not end a cap.
    fits = np.nonzero(~off[:-1] & ~off[1:])[0]
    first = int(fits[0]) if len(fits) else 0
    return float(first * width)
