"""Usable area of a face: its outline minus a strip along every edge, access paths, and obstacles with their clearance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import get_args

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from rowplane.config import PlacementConfig
from rowplane.model import Edge, EdgeKind, Face

ARC_SIDES = 16
"""Rounded corners are drawn as regular polygons about the circle: never nearer than asked, up to 2 % farther."""
COARSE_MM = 2.0
MANY_CORNERS = 24
"""An obstacle traced with more corners than this is drawn with fewer, within COARSE_MM, and kept off by as much more."""
STRAY_MM = 2.0
"""Outline that runs farther than this from every edge belongs to no edge."""


def grown(outline: BaseGeometry, distance_mm: float) -> BaseGeometry:
    """`outline` and everything nearer to it than `distance_mm`; straight sides exact, corners as ARC_SIDES says."""
    if distance_mm <= 0:
        return outline
    if shapely.get_num_coordinates(outline) > MANY_CORNERS:
        coarse = shapely.simplify(outline, COARSE_MM)
        outline, distance_mm = shapely.union(outline, coarse), distance_mm + COARSE_MM
        return shapely.union_all([outline, *_strips(coarse, distance_mm)])
    return shapely.union_all([outline, *_strips(outline, distance_mm)])


def _strips(outline: BaseGeometry, distance_mm: float) -> list[BaseGeometry]:
    rings = [shapely.get_coordinates(ring) for ring in _rings(outline)]
    return [strip(tuple(a), tuple(b), distance_mm) for ring in rings for a, b in pairwise(ring)]


def strip(start: Sequence[float], end: Sequence[float], distance_mm: float) -> BaseGeometry:
    """All points nearer than `distance_mm` to the stretch from `start` to `end` (u, v, mm), rounded at both ends.

    The ends are rounded because a corner belongs to both of its edges: at an obtuse corner between a wide and a narrow
    setback, and round a concave corner, a strip that stops square would leave a wedge that is too near.
    """
    a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    length = float(np.hypot(*(b - a)))
    if length == 0 or distance_mm <= 0:
        return Polygon()
    normal = float(np.arctan2(b[0] - a[0], a[1] - b[1]))
    # A side of the polygon is tangent where the strip's long side meets it, so that the two run on straight.
    turn = normal + (np.arange(ARC_SIDES) + 0.5) * 2 * np.pi / ARC_SIDES
    cap = np.column_stack([np.cos(turn), np.sin(turn)]) * distance_mm / np.cos(np.pi / ARC_SIDES)
    return shapely.convex_hull(shapely.multipoints(np.vstack([a + cap, b + cap])))


def clearance_mm(placement: PlacementConfig, height_mm: float) -> float:
    """Distance kept from an obstacle that stands `height_mm` over the face: the setback, or more where height asks for it."""
    return max(placement.setback_mm.obstacle, placement.obstacle_height_factor * max(height_mm, 0.0))


def bare_area(face: Face, placement: PlacementConfig) -> BaseGeometry:
    """Outline of `face` minus its obstacles with their clearance, before any edge setback, u, v, mm.

    A self-crossing outline is read by the even-odd rule.
    """
    taken = [grown(shapely.make_valid(o.outline), clearance_mm(placement, o.height_mm)) for o in face.obstacles]
    return areas(shapely.difference(shapely.make_valid(face.outline), shapely.union_all(taken)))


def usable_area(
    face: Face,
    placement: PlacementConfig,
    setback_mm: Mapping[Edge, float],
    free: Sequence[BaseGeometry] = (),
    bare: BaseGeometry | None = None,
) -> BaseGeometry:
    """Area of `face` that modules may lie on, u, v, mm; a Polygon or MultiPolygon, possibly empty.

    `setback_mm` gives the distance for every edge; outline that belongs to no edge keeps the widest of its kinds. `free`
    areas are kept clear too. `bare` is the face's bare_area, where the caller has it.
    """
    taken = [strip(edge.start_uv, edge.end_uv, distance) for edge, distance in setback_mm.items() if distance > 0]
    taken += list(free)
    widest = widest_setback_mm(face, placement)
    for line in shapely.get_parts(stray_outline(face)):
        points = shapely.get_coordinates(line)
        taken += [strip(tuple(a), tuple(b), widest) for a, b in pairwise(points)]
    within = bare_area(face, placement) if bare is None else bare
    return areas(shapely.difference(within, shapely.union_all(taken)))


def stray_outline(face: Face) -> BaseGeometry:
    """The part of the outline (rings) that no edge of the face covers, lines in u, v, mm; often empty."""
    boundary = shapely.boundary(shapely.make_valid(face.outline))
    if not face.edges:
        return boundary
    edges = shapely.union_all([shapely.linestrings([e.start_uv, e.end_uv]) for e in face.edges])
    return shapely.difference(boundary, shapely.buffer(edges, STRAY_MM))


def widest_setback_mm(face: Face, placement: PlacementConfig) -> float:
    """The widest setback among the kinds of edge that `face` has, or of all kinds where it has no edges, mm."""
    kinds = {edge.kind for edge in face.edges} or set(get_args(EdgeKind))
    return float(max(getattr(placement.setback_mm, kind) for kind in kinds))


def areas(shape: BaseGeometry) -> BaseGeometry:
    """The polygons of `shape`, lines and points left out; an empty Polygon where there are none."""
    parts = [p for p in shapely.get_parts(shape) if isinstance(p, Polygon) and p.area > 0]
    nested = [q for p in shapely.get_parts(shape) if isinstance(p, MultiPolygon) for q in p.geoms]
    parts += nested
    if not parts:
        return Polygon()
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _rings(shape: BaseGeometry) -> list[BaseGeometry]:
    polygons = [p for p in shapely.get_parts(shape) if isinstance(p, Polygon)]
    return [ring for p in polygons for ring in (p.exterior, *p.interiors)]
