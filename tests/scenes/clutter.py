"""Everything a drone sees beside the tiles: ground, walls, trees, hedge, chimney, vents, aerial, gutters, a neighbour.

Obstacles are placed on faces (truth) by `place_obstacles`; the functions under `points_of` turn them and the
surroundings into points. All lengths metres; `density` is the scan's points per square metre of roof.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon, box

from scenes import labels
from scenes.faces import Face, Obstacle, with_obstacles

Array = NDArray[np.float64]
Cloud = tuple[Array, NDArray[np.int16]]
SHARE = {"ground": 0.2, "wall": 0.12, "tree": 0.35, "hedge": 0.3, "gutter": 0.8, "neighbour": 0.6}  # of the density


@dataclass(frozen=True)
class ClutterOptions:
    """What stands on and round the house."""

    ground: bool = True
    walls: bool = True
    trees: int = 2  # the first one reaches over a face
    hedge: bool = True
    chimney: bool = True
    vents: int = 2
    roof_window: bool = False
    aerial: bool = True
    gutter: bool = True
    neighbour: bool = False
    overhang_m: float = 0.45  # eaves and verges over the walls
    margin_m: float = 4.0  # ground round the house


BARE = ClutterOptions(ground=False, walls=False, trees=0, hedge=False, chimney=False, vents=0, aerial=False, gutter=False)


# ---- obstacles on faces -------------------------------------------------------------------------------------------


def _spot(
    face: Face, half_u: float, half_v: float, up: tuple[float, float], taken: list[Polygon], rng: np.random.Generator
) -> tuple[float, float] | None:
    """A free place for a rectangle whose middle lies in the given share of the slope length; None when there is none."""
    width, length = face.extent_m
    for _ in range(60):
        u, v = rng.uniform(0.15, 0.85) * width, rng.uniform(*up) * length
        shape = box(u - half_u, v - half_v, u + half_u, v + half_v).buffer(0.35, join_style="mitre")
        if face.polygon.contains(shape) and not any(shape.intersects(t) for t in taken):
            return float(u), float(v)
    return None


def _rectangle(kind: str, u: float, v: float, half_u: float, half_v: float, height_mm: float) -> Obstacle:
    corners = ((u - half_u, v - half_v), (u + half_u, v - half_v), (u + half_u, v + half_v), (u - half_u, v + half_v))
    return Obstacle(kind, corners, height_mm)


def place_obstacles(faces: list[Face], options: ClutterOptions, rng: np.random.Generator) -> list[Face]:
    """Put chimney, vents and roof window on the faces; what finds no free place is left out."""
    wanted: list[tuple[str, float, float, float, tuple[float, float]]] = []
    if options.chimney:
        wanted.append(("chimney", 0.3, 0.3, 1100.0, (0.6, 0.8)))
    if options.roof_window:
        wanted.append(("roof window", 0.39, 0.59, 110.0, (0.35, 0.65)))
    wanted += [("vent", 0.06, 0.06, 350.0, (0.3, 0.85))] * options.vents
    order = sorted(range(len(faces)), key=lambda k: -faces[k].area_m2)[:2]
    faces = list(faces)
    for n, (kind, half_u, half_slope, height_mm, up) in enumerate(wanted):
        k = order[(n + int(rng.integers(2))) % len(order)]
        face = faces[k]
        half_v = half_slope if kind == "roof window" else half_slope / float(face.normal[2])
        spot = _spot(face, half_u, half_v, up, [o.polygon for o in face.obstacles], rng)
        if spot:
            faces[k] = with_obstacles(face, (_rectangle(kind, *spot, half_u, half_v, height_mm),))
    return faces


# ---- points -------------------------------------------------------------------------------------------------------


def _count(area_m2: float, density: float, rng: np.random.Generator) -> int:
    return int(rng.poisson(max(area_m2 * density, 0.0)))


def _label(points: Array, code: int) -> Cloud:
    return points, np.full(len(points), code, dtype=np.int16)


def _rect(corner: Array, a: Array, b: Array, density: float, rng: np.random.Generator) -> Array:
    """Uniform points on the parallelogram corner + s a + t b."""
    n = _count(float(np.linalg.norm(np.cross(a, b))), density, rng)
    return corner + rng.random((n, 1)) * a + rng.random((n, 1)) * b


def _upright_box(base: Array, a: Array, b: Array, height: float, density: float, rng: np.random.Generator) -> Array:
    """Four sides and the top of a box over base, base + a, base + b."""
    up = np.array([0, 0, height])
    sides = [
        _rect(base, a, up, density / 2, rng),
        _rect(base + b, a, up, density / 2, rng),
        _rect(base, b, up, density / 2, rng),
        _rect(base + a, b, up, density / 2, rng),
    ]
    return np.vstack([*sides, _rect(base + up, a, b, density, rng)])


def obstacle_points(face: Face, density: float, rng: np.random.Generator) -> list[Cloud]:
    """Points on the obstacles of one face; chimneys and vents stand plumb."""
    clouds = []
    for o in face.obstacles:
        u0, v0, u1, v1 = o.polygon.bounds
        if o.kind == "roof window":
            lift = face.tile.top_mm + 60
            pane = _rect(np.array([u0, v0, 0]), np.array([u1 - u0, 0, 0]), np.array([0, v1 - v0, 0]), density * 0.3, rng)
            clouds.append(_label(face.to_world(pane[:, 0], pane[:, 1], lift), labels.WINDOW))
            continue
        across = np.array([face.e_v[0], face.e_v[1], 0]) * (v1 - v0)
        base = face.to_world(np.array([u0]), np.array([v0]))[0]
        height = face.e_v[2] * (v1 - v0) + o.height_mm / 1000
        points = _upright_box(base, face.e_u * (u1 - u0), across, height, density, rng)
        w = face.to_face(points)[2]
        code = labels.CHIMNEY if o.kind == "chimney" else labels.VENT
        clouds.append(_label(points[w > face.tile.top_mm], code))
    return clouds


def gutter_points(face: Face, density: float, rng: np.random.Generator) -> list[Cloud]:
    """Half-round gutters of 120 mm along the eaves, seen from above."""
    clouds = []
    outward = -np.array([face.e_v[0], face.e_v[1], 0]) / np.hypot(*face.e_v[:2])
    for edge in (e for e in face.edges if e.kind == "eave"):
        ends = face.to_world(*np.array([edge.a_uv_m, edge.b_uv_m]).T)
        n = _count(float(np.linalg.norm(ends[1] - ends[0])) * 0.19, density * SHARE["gutter"], rng)
        turn = rng.uniform(np.pi, 2 * np.pi, (n, 1))
        along = ends[0] + rng.random((n, 1)) * (ends[1] - ends[0])
        clouds.append(
            _label(
                along + (0.07 + 0.06 * np.cos(turn)) * outward + (-0.05 + 0.06 * np.sin(turn)) * np.array([0, 0, 1.0]),
                labels.GUTTER,
            )
        )
    return clouds


def aerial_points(faces: list[Face], density: float, rng: np.random.Generator) -> list[Cloud]:
    """A thin mast of 1.8 m on a ridge or top edge, with two cross rods."""
    face = max(faces, key=lambda f: f.area_m2)
    top = max(face.edges, key=lambda e: e.a_uv_m[1] + e.b_uv_m[1])
    share = rng.uniform(0.3, 0.7)
    u, v = share * np.array(top.a_uv_m) + (1 - share) * np.array(top.b_uv_m)
    foot = face.to_world(np.array([u]), np.array([v]), face.tile.top_mm)[0]
    n = max(int(density * 0.1), 12)
    mast = foot + rng.random((n, 1)) * np.array([0, 0, 1.8])
    rods = [foot + np.array([0, 0, h]) + rng.uniform(-0.5, 0.5, (n // 2, 1)) * face.e_u for h in (1.3, 1.7)]
    return [_label(np.vstack([mast, *rods]), labels.AERIAL)]


def ground_points(outline: Polygon, ground_z: float, margin_m: float, density: float, rng: np.random.Generator) -> list[Cloud]:
    """Undulating ground round the house; none under the roof."""
    x0, y0, x1, y1 = outline.buffer(margin_m).bounds
    n = _count((x1 - x0) * (y1 - y0), density * SHARE["ground"], rng)
    xy = rng.uniform((x0, y0), (x1, y1), (n, 2))
    xy = xy[~shapely.contains_xy(outline, xy[:, 0], xy[:, 1])]
    return [_label(np.column_stack([xy, ground_height(xy, (x0, y0), ground_z)]), labels.GROUND)]


def ground_height(xy: Array, corner: tuple[float, float], ground_z: float) -> Array:
    x, y = (xy - np.array(corner)).T
    return ground_z + 0.12 * np.sin(x / 2.3) + 0.1 * np.sin(y / 1.9 + 1) + 0.03 * x


def wall_points(
    outline: Polygon, faces: list[Face], ground_z: float, options: ClutterOptions, density: float, rng: np.random.Generator
) -> list[Cloud]:
    """Walls under the overhang, from the ground to just under the roof."""
    ring = np.array(outline.buffer(-options.overhang_m, join_style="mitre").exterior.coords)
    clouds = []
    for a, b in pairwise(ring):
        tall = max(f.origin_m[2] + f.extent_m[1] * f.e_v[2] for f in faces) - ground_z
        wall = _rect(np.array([*a, ground_z]), np.array([*(b - a), 0]), np.array([0, 0, tall]), density * SHARE["wall"], rng)
        clouds.append(_label(wall[wall[:, 2] < roof_height(faces, wall[:, :2]) - 0.2], labels.WALL))
    return clouds


def roof_height(faces: list[Face], xy: Array) -> Array:
    """Z of the nominal roof over plan points, -inf beside it."""
    z = np.full(len(xy), -np.inf)
    for face in faces:
        on_plane = face.origin_m[2] - ((xy - face.origin_m[:2]) @ face.normal[:2]) / face.normal[2]
        u, v, _ = face.to_face(np.column_stack([xy, on_plane]))
        here = face.inside(u, v, 0.01)
        z[here] = np.maximum(z[here], on_plane[here])
    return z


@dataclass(frozen=True)
class Tree:
    """An ellipsoid of leaves."""

    middle: Array
    radii: Array

    def hides(self, xyz: Array) -> NDArray[np.bool_]:
        """Which points lie under the crown."""
        d = (xyz[:, :2] - self.middle[:2]) / self.radii[:2]
        return (d**2).sum(1) < 1

    def points(self, density: float, rng: np.random.Generator) -> Array:
        area = 2.5 * np.pi * self.radii[0] * self.radii[2]
        direction = rng.standard_normal((_count(area, density * SHARE["tree"], rng), 3))
        direction /= np.linalg.norm(direction, axis=1)[:, None]
        direction = direction[direction[:, 2] > -0.4]
        return self.middle + direction * rng.uniform(0.72, 1.0, (len(direction), 1)) * self.radii


def draw_trees(outline: Polygon, eave_z: float, count: int, rng: np.random.Generator) -> list[Tree]:
    """Trees round the house; the crown of the first reaches about a metre over a corner of the roof."""
    ring = np.array(outline.exterior.coords)[:-1]
    middle = np.array(outline.centroid.coords[0])
    trees = []
    for n in range(count):
        corner = ring[int(rng.integers(len(ring)))]
        away = (corner - middle) / np.hypot(*(corner - middle))
        radius = rng.uniform(1.6, 2.4)
        gap = radius - rng.uniform(0.8, 1.2) if n == 0 else radius + rng.uniform(0.8, 1.8)
        xy = corner + away * gap
        trees.append(Tree(np.array([*xy, eave_z + rng.uniform(0.6, 1.4)]), np.array([radius, radius, 2.0])))
    return trees


def hedge_points(outline: Polygon, ground_z: float, density: float, rng: np.random.Generator) -> list[Cloud]:
    """A hedge 1.4 m high along one side, leaves at random depth."""
    ring = np.array(outline.buffer(2.6, join_style="mitre").exterior.coords)
    k = int(rng.integers(len(ring) - 1))
    a, b = ring[k], ring[k + 1]
    across = np.array([-(b - a)[1], (b - a)[0], 0]) / np.hypot(*(b - a)) * 0.6
    points = _upright_box(np.array([*a, ground_z]), np.array([*(b - a), 0]), across, 1.4, density * SHARE["hedge"], rng)
    return [_label(points + rng.uniform(-0.1, 0.1, points.shape), labels.HEDGE)]


def neighbour_points(
    outline: Polygon, eave_z: float, ground_z: float, turn: Array, density: float, rng: np.random.Generator
) -> list[Cloud]:
    """Two slopes of a gable roof 7 m by 6 m with walls, 3.5 m beside the house."""
    ring = outline.buffer(3.5).bounds
    start = np.array([ring[2] + 3.0, ring[1], eave_z - rng.uniform(0, 0.8)])
    along, across, up = turn @ [7.0, 0, 0], turn @ [0, 3.0, 0], np.array([0, 0, 3.0 * np.tan(np.radians(28))])
    d = density * SHARE["neighbour"]
    slopes = np.vstack([_rect(start, along, across + up, d, rng), _rect(start + 2 * across, along, up - across, d, rng)])
    drop = np.array([0, 0, ground_z - start[2]])
    walls = np.vstack([_rect(start, along, drop, d / 4, rng), _rect(start + 2 * across, along, drop, d / 4, rng)])
    return [_label(slopes, labels.NEIGHBOUR), _label(walls, labels.WALL)]
