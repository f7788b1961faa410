"""Plan geometry of invented houses: roofs as watertight sets of planes over a footprint, with named edges.

A wing is a convex footprint under the lowest of its planes; a roof is the highest of its wings. Every face polygon follows
from half-plane cuts of that rule, so neighbouring faces share their edges exactly and no gap or overlap can arise.
House coordinates: metres, x along the house, y across, z up, eaves at `eave_height_m` over the ground. Needs no randomness.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, Polygon

Array = NDArray[np.float64]
SNAP_M = 1e-6  # vertices of neighbouring faces are equal to this
TOUCH_M = 2e-5  # a vertex this close to an edge lies on it


@dataclass(frozen=True)
class RoofPlane:
    """z = z0 + gx x + gy y in house coordinates, metres; the gradient points up the slope."""

    z0: float
    gx: float
    gy: float

    def z(self, xy: Array) -> Array:
        """Height in metres at points (..., 2)."""
        return self.z0 + xy[..., 0] * self.gx + xy[..., 1] * self.gy


@dataclass(frozen=True)
class Wing:
    """A convex footprint (k, 2), counter-clockwise, under the lowest of the named planes."""

    footprint: Array
    planes: tuple[str, ...]


@dataclass(frozen=True)
class PlanEdge:
    """One straight edge of a face; the face lies to the left of a → b seen from above."""

    kind: str  # eave, ridge, hip, valley, verge or step
    a: tuple[float, float]
    b: tuple[float, float]
    neighbour: int | None  # index of the face across, None on the outline


@dataclass(frozen=True)
class PlanFace:
    """A face in plan: name of its plane, polygon (counter-clockwise), edges in the polygon's order."""

    name: str
    plane: RoofPlane
    polygon: Polygon
    edges: tuple[PlanEdge, ...]


@dataclass(frozen=True)
class Plan:
    """A house in plan: its faces and the outline of all roofs together."""

    shape: str
    faces: tuple[PlanFace, ...]
    outline: Polygon


@dataclass(frozen=True)
class Size:
    """Measures of a house in metres and degrees; `pitch_b_deg` is the pitch of hipped ends and of the second wing."""

    length_m: float
    width_m: float
    pitch_deg: float
    pitch_b_deg: float
    wing_width_m: float
    wing_length_m: float
    eave_height_m: float


def _plane(point: tuple[float, float], inward: tuple[float, float], pitch_deg: float, height_m: float) -> RoofPlane:
    """Plane of the given pitch that rises along `inward` (a unit vector) from a level line through `point`."""
    slope = np.tan(np.radians(pitch_deg))
    gx, gy = slope * inward[0], slope * inward[1]
    return RoofPlane(float(height_m - gx * point[0] - gy * point[1]), float(gx), float(gy))


def _box(x0: float, y0: float, x1: float, y1: float) -> Array:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=float)


def _long_sides(s: Size) -> dict[str, RoofPlane]:
    return {
        "south": _plane((0, 0), (0, 1), s.pitch_deg, s.eave_height_m),
        "north": _plane((0, s.width_m), (0, -1), s.pitch_deg, s.eave_height_m),
    }


def _ends(s: Size, raise_share: float = 0.0) -> dict[str, RoofPlane]:
    """Hipped ends; with `raise_share` their eave sits that share of the ridge height above the main eaves (half-hip)."""
    up = raise_share * s.width_m / 2 * np.tan(np.radians(s.pitch_deg))
    return {
        "west": _plane((0, 0), (1, 0), s.pitch_b_deg, s.eave_height_m + up),
        "east": _plane((s.length_m, 0), (-1, 0), s.pitch_b_deg, s.eave_height_m + up),
    }


Parts = tuple[dict[str, RoofPlane], tuple[Wing, ...]]


def _one_wing(s: Size, planes: dict[str, RoofPlane]) -> Parts:
    return planes, (Wing(_box(0, 0, s.length_m, s.width_m), tuple(planes)),)


def _gable(s: Size) -> Parts:
    return _one_wing(s, _long_sides(s))


def _hip(s: Size) -> Parts:
    return _one_wing(s, _long_sides(s) | _ends(s))


def _half_hip(s: Size) -> Parts:
    return _one_wing(s, _long_sides(s) | _ends(s, raise_share=0.45))


def _hip_and_gable(s: Size) -> Parts:
    return _one_wing(s, _long_sides(s) | {"west": _ends(s)["west"]})


def _monopitch(s: Size) -> Parts:
    return _one_wing(s, {"south": _long_sides(s)["south"]})


def _l_shape(s: Size) -> Parts:
    """Two wings that share the corner at the origin: a hip outside, a valley inside, gables at both far ends."""
    planes = _long_sides(s) | {
        "west": _plane((0, 0), (1, 0), s.pitch_b_deg, s.eave_height_m),
        "east": _plane((s.wing_width_m, 0), (-1, 0), s.pitch_b_deg, s.eave_height_m),
    }
    main = Wing(_box(0, 0, s.length_m, s.width_m), ("south", "north", "west"))
    wing = Wing(_box(0, 0, s.wing_width_m, s.width_m + s.wing_length_m), ("west", "east", "south"))
    return planes, (main, wing)


def _cross_gable(s: Size) -> Parts:
    """A gabled wing that runs out of the middle of the south side; its ridge dies into the main slope."""
    rise = s.width_m / 2 * np.tan(np.radians(s.pitch_deg))
    steepest = np.degrees(np.arctan(0.92 * rise / (s.wing_width_m / 2)))
    pitch = min(s.pitch_b_deg, float(steepest))
    x0 = 0.4 * (s.length_m - s.wing_width_m)
    x1 = x0 + s.wing_width_m
    planes = _long_sides(s) | {
        "wing west": _plane((x0, 0), (1, 0), pitch, s.eave_height_m),
        "wing east": _plane((x1, 0), (-1, 0), pitch, s.eave_height_m),
    }
    main = Wing(_box(0, 0, s.length_m, s.width_m), ("south", "north"))
    wing = Wing(_box(x0, -s.wing_length_m, x1, s.width_m / 2), ("wing west", "wing east"))
    return planes, (main, wing)


SHAPES: dict[str, Callable[[Size], Parts]] = {
    "gable": _gable,
    "hip": _hip,
    "l_shape": _l_shape,
    "cross_gable": _cross_gable,
    "half_hip": _half_hip,
    "hip_and_gable": _hip_and_gable,
    "monopitch": _monopitch,
}


def _cut(polygon: Array, low: RoofPlane, high: RoofPlane) -> Array:
    """Part of a convex polygon where `low` is not above `high` (one Sutherland-Hodgman cut); may be empty."""
    side = high.z(polygon) - low.z(polygon)
    kept: list[Array] = []
    for k in range(len(polygon)):
        j = (k + 1) % len(polygon)
        if side[k] >= 0:
            kept.append(polygon[k])
        if (side[k] > 0 > side[j]) or (side[k] < 0 < side[j]):
            kept.append(polygon[k] + (polygon[j] - polygon[k]) * (side[k] / (side[k] - side[j])))
    return np.array(kept).reshape(-1, 2)


def _regions(planes: dict[str, RoofPlane], wings: tuple[Wing, ...]) -> list[dict[str, Array]]:
    regions = []
    for wing in wings:
        of_wing = {}
        for name in wing.planes:
            part = wing.footprint
            for other in wing.planes:
                if other != name and len(part):
                    part = _cut(part, planes[name], planes[other])
            if len(part) >= 3:
                of_wing[name] = part
        regions.append(of_wing)
    return regions


def _visible(planes: dict[str, RoofPlane], regions: list[dict[str, Array]], name: str) -> list[Polygon]:
    """Parts of one plane that no other wing rises above, as separate polygons."""
    pieces = []
    for k, of_wing in enumerate(regions):
        if name not in of_wing:
            continue
        piece = Polygon(of_wing[name])
        for j, others in enumerate(regions):
            for other, part in others.items():
                if j != k and other != name:
                    above = _cut(part, planes[name], planes[other])
                    if len(above) >= 3 and Polygon(above).area > 1e-9:
                        piece = piece.difference(Polygon(above))
        pieces.append(piece)
    joined = shapely.set_precision(shapely.unary_union(pieces), SNAP_M).simplify(SNAP_M)
    parts = [p for p in getattr(joined, "geoms", [joined]) if p.area > 1e-3]
    return [shapely.geometry.polygon.orient(p, 1.0) for p in parts]


def _segments(polygon: Polygon, others: list[Polygon]) -> list[tuple[Array, Array]]:
    """Edges of a polygon, split where a corner of another face lies on them."""
    ring = np.array(polygon.exterior.coords)
    corners = np.vstack([np.array(p.exterior.coords) for p in others]) if others else np.zeros((0, 2))
    segments = []
    for a, b in pairwise(ring):
        along = b - a
        length = float(np.hypot(*along))
        t = (corners - a) @ along / length**2
        off = np.abs((corners - a) @ np.array([-along[1], along[0]])) / length
        inside = np.unique(np.round(t[(off < TOUCH_M) & (t * length > TOUCH_M) & ((1 - t) * length > TOUCH_M)], 7))
        stops = [a, *(a + along * s for s in inside), b]
        segments += list(pairwise(stops))
    return segments


def _kind(face: RoofPlane, other: RoofPlane | None, a: Array, b: Array) -> str:
    """Name of the edge a → b of a face that lies to its left, `other` lying to its right."""
    run = (b - a) / np.hypot(*(b - a))
    out = np.array([run[1], -run[0]])
    rise_out = face.gx * out[0] + face.gy * out[1]
    level = abs(face.gx * run[0] + face.gy * run[1]) < 1e-6
    if other is None:
        return ("eave" if rise_out < 0 else "ridge") if level else "verge"
    mid = (a + b) / 2
    if abs(face.z(mid) - other.z(mid)) > 1e-3:
        return "step"
    convex = other.gx * out[0] + other.gy * out[1] < rise_out
    if not convex:
        return "valley"
    return "ridge" if level else "hip"


def _edges(k: int, polygons: list[Polygon], planes: list[RoofPlane]) -> tuple[PlanEdge, ...]:
    others = [p for j, p in enumerate(polygons) if j != k]
    edges: list[PlanEdge] = []
    for a, b in _segments(polygons[k], others):
        mid = Point((a + b) / 2)
        across = [j for j, p in enumerate(polygons) if j != k and p.exterior.distance(mid) < TOUCH_M]
        neighbour = across[0] if across else None
        kind = _kind(planes[k], None if neighbour is None else planes[neighbour], a, b)
        last = edges[-1] if edges else None
        if last and (last.kind, last.neighbour) == (kind, neighbour) and LineString([last.a, b]).distance(Point(a)) < TOUCH_M:
            edges[-1] = PlanEdge(kind, last.a, (float(b[0]), float(b[1])), neighbour)
        else:
            edges.append(PlanEdge(kind, (float(a[0]), float(a[1])), (float(b[0]), float(b[1])), neighbour))
    return tuple(edges)


def make_plan(shape: str, size: Size) -> Plan:
    """Faces, polygons and edges of one roof shape; raises ValueError for an unknown shape."""
    if shape not in SHAPES:
        raise ValueError(f"shape {shape!r} is not one of {', '.join(SHAPES)}")
    planes, wings = SHAPES[shape](size)
    regions = _regions(planes, wings)
    named = [(name, polygon) for name in planes for polygon in _visible(planes, regions, name)]
    polygons = [polygon for _, polygon in named]
    of_face = [planes[name] for name, _ in named]
    faces = tuple(PlanFace(name, of_face[k], polygon, _edges(k, polygons, of_face)) for k, (name, polygon) in enumerate(named))
    outline = shapely.unary_union([Polygon(w.footprint) for w in wings])
    return Plan(shape, faces, shapely.geometry.polygon.orient(outline, 1.0))
