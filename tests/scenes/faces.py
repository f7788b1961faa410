"""Faces of an invented house with their truth: frame, outline, edges, substrate, tiles, obstacles, least-squares plane.

Face frame: u along the eave, left to right for someone on the ground who faces the roof; v up the slope, on the slope;
w outward. u = 0 at the left end of the face, v = 0 at its lowest edge, the nose line of the first full course. The datum is
the left end of the eave on that line (the left verge's tile edge, where there is a verge); beside a valley it is not u = 0.
u and v are metres, w and every height are millimetres. World coordinates: metres, X east, Y north, Z up, float64.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from scenes.plan import Plan, PlanFace
from scenes.relief import Laid, TileOptions, TilePattern, lay_tiles
from scenes.substrate import Substrate, SubstrateOptions, draw_substrate

Array = NDArray[np.float64]
LSQ_STEP_M = 0.05


@dataclass(frozen=True)
class Edge:
    """An edge of a face from a to b (u, v in metres, the face on the left); neighbour is a face index or None."""

    kind: str
    a_uv_m: tuple[float, float]
    b_uv_m: tuple[float, float]
    neighbour: int | None


@dataclass(frozen=True)
class Obstacle:
    """Something that stands on a face: its footprint on the slope and its height over the nominal plane."""

    kind: str
    outline_uv_m: tuple[tuple[float, float], ...]
    height_mm: float

    @cached_property
    def polygon(self) -> Polygon:
        return Polygon(self.outline_uv_m)


@dataclass(frozen=True)
class LsqPlane:
    """Orthogonal least-squares plane of the substrate over a face: w = offset + tilt_u u + tilt_v v over the nominal plane."""

    pitch_deg: float
    azimuth_deg: float  # of the downslope direction, clockwise from grid north
    offset_mm: float  # at u = v = 0
    tilt_u_mm_per_m: float
    tilt_v_mm_per_m: float
    rms_mm: float
    max_mm: float

    def height_mm(self, u_m: Array, v_m: Array) -> Array:
        return self.offset_mm + self.tilt_u_mm_per_m * np.asarray(u_m) + self.tilt_v_mm_per_m * np.asarray(v_m)


@dataclass(frozen=True)
class Face:
    """One face and everything that is true of it."""

    index: int
    name: str
    origin_m: Array  # (3,) world
    e_u: Array  # (3,) unit vectors
    e_v: Array
    normal: Array
    outline_uv_m: Array  # (k, 2) counter-clockwise, not closed
    edges: tuple[Edge, ...]
    substrate: Substrate
    laid: Laid
    obstacles: tuple[Obstacle, ...] = field(default=())

    def to_world(self, u_m: Array, v_m: Array, w_mm: Array | float = 0.0) -> Array:
        """World points (n, 3) of u, v, w."""
        u, v, w = np.broadcast_arrays(np.asarray(u_m, float), np.asarray(v_m, float), np.asarray(w_mm, float) / 1000)
        return self.origin_m + u[..., None] * self.e_u + v[..., None] * self.e_v + w[..., None] * self.normal

    def to_face(self, xyz_m: Array) -> tuple[Array, Array, Array]:
        """u (m), v (m), w (mm) of world points (..., 3)."""
        d = np.asarray(xyz_m, float) - self.origin_m
        return d @ self.e_u, d @ self.e_v, d @ self.normal * 1000

    def substrate_mm(self, u_m: Array, v_m: Array) -> Array:
        """Battens over the nominal plane: the truth that feet must take up."""
        return self.substrate.height_mm(u_m, v_m)

    def surface_mm(self, u_m: Array, v_m: Array) -> Array:
        """Tile tops as laid over the nominal plane, caps and obstacles left out."""
        return self.substrate.height_mm(u_m, v_m) + self.laid.height_mm(u_m, v_m)

    @property
    def tile(self) -> TilePattern:
        return self.laid.pattern

    @property
    def datum_u_m(self) -> float:
        """u of the datum: the left end of the eave."""
        return min((float(p[0]) for e in self.edges if e.kind == "eave" for p in (e.a_uv_m, e.b_uv_m)), default=0.0)

    @property
    def rafters_mm(self) -> Array:
        """Rafter middles from the datum."""
        return (self.substrate.rafter_u_m - self.datum_u_m) * 1000

    @cached_property
    def polygon(self) -> Polygon:
        """Outline on the slope, (u, v) in metres."""
        polygon = Polygon(self.outline_uv_m)
        shapely.prepare(polygon)
        return polygon

    @property
    def area_m2(self) -> float:
        """Area on the slope, obstacles not taken off."""
        return float(self.polygon.area)

    @property
    def extent_m(self) -> tuple[float, float]:
        """Greatest u and v."""
        return float(self.outline_uv_m[:, 0].max()), float(self.outline_uv_m[:, 1].max())

    @property
    def nominal_pitch_deg(self) -> float:
        return pitch_azimuth_deg(self.normal)[0]

    @cached_property
    def lsq(self) -> LsqPlane:
        """Least-squares plane of the substrate, on a 50 mm grid over the outline."""
        return fit_lsq(self)

    def inside(self, u_m: Array, v_m: Array, margin_m: float = 0.0) -> NDArray[np.bool_]:
        """Which points lie on the face, its outline widened by the margin."""
        polygon = self.polygon if margin_m == 0 else self.polygon.buffer(margin_m, join_style="mitre")
        return shapely.contains_xy(polygon, u_m, v_m)

    def edge_distance_m(self, kinds: tuple[str, ...], u_m: Array, v_m: Array) -> Array:
        """Distance on the slope to the nearest edge of the given kinds, inf when there is none."""
        distance = np.full(len(u_m), np.inf)
        for edge in (e for e in self.edges if e.kind in kinds):
            a, b = np.array(edge.a_uv_m), np.array(edge.b_uv_m)
            run = (b - a) / (b - a).dot(b - a)
            t = np.clip((u_m - a[0]) * run[0] + (v_m - a[1]) * run[1], 0, 1)
            distance = np.minimum(distance, np.hypot(u_m - a[0] - t * (b - a)[0], v_m - a[1] - t * (b - a)[1]))
        return distance


def pitch_azimuth_deg(normal: Array) -> tuple[float, float]:
    """Pitch and downslope azimuth of an outward unit normal."""
    pitch = np.degrees(np.arctan2(np.hypot(normal[0], normal[1]), normal[2]))
    return float(pitch), float(np.degrees(np.arctan2(normal[0], normal[1])) % 360)


def grid_uv_m(polygon: Polygon, step_m: float) -> tuple[Array, Array]:
    """Middles of the square cells of a grid that lie in a polygon."""
    u0, v0, u1, v1 = polygon.bounds
    u, v = np.meshgrid(np.arange(u0 + step_m / 2, u1, step_m), np.arange(v0 + step_m / 2, v1, step_m))
    keep = shapely.contains_xy(polygon, u.ravel(), v.ravel())
    return u.ravel()[keep], v.ravel()[keep]


def fit_lsq(face: Face, step_m: float = LSQ_STEP_M) -> LsqPlane:
    """Orthogonal least-squares plane: the smallest principal direction of the substrate's points about their mean."""
    u, v = grid_uv_m(face.polygon, step_m)
    points = np.column_stack([u, v, face.substrate_mm(u, v) / 1000])
    mean = points.mean(0)
    _, directions = np.linalg.eigh(np.cov((points - mean).T))
    n = directions[:, 0] * np.sign(directions[2, 0])
    off = (points - mean) @ n * 1000
    pitch, azimuth = pitch_azimuth_deg(n[0] * face.e_u + n[1] * face.e_v + n[2] * face.normal)
    return LsqPlane(
        pitch,
        azimuth,
        float(1000 * mean @ n / n[2]),
        float(-1000 * n[0] / n[2]),
        float(-1000 * n[1] / n[2]),
        float(np.sqrt(np.mean(off**2))),
        float(np.abs(off).max()),
    )


def _rotation(angle_deg: float) -> Array:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def _axes(plane_face: PlanFace, turn: Array) -> tuple[Array, Array, Array]:
    """World unit vectors along the eave (left to right from the ground), up the slope and outward."""
    gradient = np.array([plane_face.plane.gx, plane_face.plane.gy])
    slope = float(np.hypot(*gradient))
    up = gradient / slope
    e_u = np.array([up[1], -up[0], 0.0])
    e_v = np.array([up[0], up[1], slope]) / np.hypot(1, slope)
    return turn @ e_u, turn @ e_v, turn @ np.cross(e_u, e_v)


def make_face(
    index: int,
    plan: Plan,
    turn_deg: float,
    origin_m: Array,
    substrate: SubstrateOptions,
    tiles: TileOptions,
    tile: TilePattern,
    rng: np.random.Generator,
) -> Face:
    """One face of a plan, turned by turn_deg about Z and shifted to origin_m, with drawn substrate and tiles."""
    plan_face = plan.faces[index]
    turn = _rotation(turn_deg)
    e_u, e_v, normal = _axes(plan_face, turn)
    xy = np.array(plan_face.polygon.exterior.coords)[:-1]
    corners = np.column_stack([xy, plan_face.plane.z(xy)]) @ turn.T
    u, v = corners @ e_u, corners @ e_v
    corner = np.array([u.min(), v.min()])
    base = corners[0] + (corner[0] - u[0]) * e_u + (corner[1] - v[0]) * e_v
    outline = np.column_stack([u, v]) - corner

    def uv(point: tuple[float, float]) -> tuple[float, float]:
        p = np.array([*point, float(plan_face.plane.z(np.array(point)))]) @ turn.T
        return float(p @ e_u - corner[0]), float(p @ e_v - corner[1])

    edges = tuple(Edge(e.kind, uv(e.a), uv(e.b), e.neighbour) for e in plan_face.edges)
    width, length = outline.max(0)
    left_verge = any(e.kind == "verge" and min(e.a_uv_m[0], e.b_uv_m[0]) < 1e-6 for e in edges)
    first_column = 0.0 if left_verge else float(rng.uniform(0, tile.cover_mm)) / 1000
    pattern = replace(tile, u0_m=first_column, length_m=float(length))
    return Face(
        index,
        plan_face.name,
        origin_m + base,
        e_u,
        e_v,
        normal,
        outline,
        edges,
        draw_substrate(float(width), float(length), substrate, rng),
        lay_tiles(pattern, float(width), tiles, rng),
    )


def with_obstacles(face: Face, obstacles: tuple[Obstacle, ...]) -> Face:
    return replace(face, obstacles=face.obstacles + obstacles)
