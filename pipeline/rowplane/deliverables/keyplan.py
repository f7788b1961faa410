"""The plan: the roof from above with north up, in survey X, Y, mm; modules, rails, hooks and feet where they stand."""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import Polygon

from rowplane.deliverables.content import FaceDrawing, Mark, Point
from rowplane.deliverables.lettering import Lettering
from rowplane.deliverables.places import Places, rail_height_at
from rowplane.deliverables.words import WORDS
from rowplane.frames import azimuth_deg, face_to_survey
from rowplane.model import Array, Face, RoofResult

PLAN = "plan"
ARROW_MM = 700.0


def build_key_plan(result: RoofResult) -> FaceDrawing | None:
    """Faces, obstacles, modules and what carries them in plan; None without faces. Arrows point down the slope."""
    surfaces = {s.face.id: s.face for s in result.surfaces.surfaces}
    faces = [surfaces.get(f.id, f) for f in result.roof.faces if not f.outline.is_empty]
    if not faces:
        return None
    marks: list[Mark] = []
    lettering = Lettering(_letter_mm(faces))
    for face in faces:
        marks.append(Mark("outline", "area", plan_points(face, face.outline), face.id))
        marks += [Mark("obstacle", "area", plan_points(face, o.outline), style=o.kind) for o in face.obstacles]
        marks += [Mark("edge", "path", _plan(face, np.array([e.start_uv, e.end_uv])), style=e.kind) for e in face.edges]
    marks += _built(result)
    for face in faces:
        at = plan_points(face, Polygon(face.outline.representative_point().buffer(1)))[0]
        marks += lettering.within("outline", face.id, (at[0] - 2500, at[1] - 2500, at[0] + 2500, at[1] + 2500), face.id)
        marks.append(_arrow(face, at))
    points = [p for m in marks if m.shape != "label" for p in m.points]
    us, vs = [p[0] for p in points], [p[1] for p in points]
    return FaceDrawing(PLAN, WORDS["plan"], WORDS["north_up"], 0.0, (min(us), min(vs), max(us), max(vs)), tuple(marks))


def _built(result: RoofResult) -> list[Mark]:
    """Modules at their underside, rails and feet at the rail top, hooks at their seats: over the face, so beside their u, v."""
    places = Places(result)

    def at(face: str, u: float, v: float, w: float) -> Point:
        return places.survey_xyz_mm(face, u, v, w if math.isfinite(w) else 0.0)[:2]

    marks: list[Mark] = []
    for array in result.layout.arrays:
        for module in array.modules:
            spots = [(u, v, places.plane_height(array.id, u, v)) for u, v in corners(module.rect_mm)]
            marks.append(Mark("module", "area", tuple(at(array.face, *spot) for spot in spots), module.id))
    for rail in result.plan.rails:
        ends = [(rail.u_mm, v, rail_height_at(places, rail, v)) for v in (rail.v_start_mm, rail.v_end_mm)]
        marks.append(Mark("rail", "path", tuple(at(rail.face, *end) for end in ends), rail.id))
        hooks = [places.hooks[h] for h in rail.hook_ids if h in places.hooks]
        marks += [Mark("hook", "spot", (at(rail.face, h.u_mm, h.v_mm, places.seat_mm(h.id)),), h.id) for h in hooks]
    for foot, setting in places.set_feet():
        marks.append(Mark("foot", "spot", (at(foot.face, foot.u_mm, foot.v_mm, setting.rail_height_mm),), foot.id))
    return marks


def corners(rect_mm: tuple[float, float, float, float]) -> Array:
    """Corners `(4, 2)` of a module in u, v, counter-clockwise from front left."""
    left, front, right, top = rect_mm
    return np.array([(left, front), (right, front), (right, top), (left, top)])


def plan_points(face: Face, outline: Polygon) -> tuple[Point, ...]:
    """A polygon on a face seen from above, survey X, Y, mm; the closing point not repeated."""
    return _plan(face, np.asarray(outline.exterior.coords, dtype=float)[:-1, :2])


def _plan(face: Face, uv: Array) -> tuple[Point, ...]:
    xyz = face_to_survey(face.frame, np.column_stack([uv, np.zeros(len(uv))]))
    return tuple((float(x), float(y)) for x, y in xyz[:, :2])


def _arrow(face: Face, at: Point) -> Mark:
    lean = np.radians(azimuth_deg(face.frame))
    way = np.array([np.sin(lean), np.cos(lean)])
    side = np.array([way[1], -way[0]])
    start, tip = np.array(at) + 500 * way, np.array(at) + (500 + ARROW_MM) * way
    head = (start, tip, tip - 250 * way + 130 * side, tip, tip - 250 * way - 130 * side)
    return Mark("dimension", "path", tuple((float(p[0]), float(p[1])) for p in head), face.id, "downslope")


def _letter_mm(faces: list[Face]) -> float:
    points = np.vstack([_plan(f, np.asarray(f.outline.exterior.coords)[:, :2]) for f in faces])
    return float(np.clip(np.ptp(points, axis=0).max() / 20, 300, 1500))
