"""The key plan: the roof from above with north up, drawn from the same outlines as the faces."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon

from rowplane.deliverables.content import FaceDrawing, Mark, Point
from rowplane.deliverables.lettering import Lettering
from rowplane.deliverables.words import WORDS
from rowplane.frames import azimuth_deg, face_to_survey
from rowplane.model import Array, Face, RoofResult

PLAN = "plan"
ARROW_MM = 700.0


def build_key_plan(result: RoofResult) -> FaceDrawing | None:
    """Faces, modules, obstacles in plan, X east and Y north, mm; None without faces. Arrows point down the slope."""
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
        for array in result.layout.arrays:
            if array.face == face.id:
                marks += [Mark("module", "area", _plan(face, corners(m.rect_mm)), m.id) for m in array.modules]
    for face in faces:
        at = plan_points(face, Polygon(face.outline.representative_point().buffer(1)))[0]
        marks += lettering.within("outline", face.id, (at[0] - 2500, at[1] - 2500, at[0] + 2500, at[1] + 2500), face.id)
        marks.append(_arrow(face, at))
    points = [p for m in marks if m.shape != "label" for p in m.points]
    us, vs = [p[0] for p in points], [p[1] for p in points]
    return FaceDrawing(PLAN, WORDS["key_plan"], WORDS["north_up"], 0.0, (min(us), min(vs), max(us), max(vs)), tuple(marks))


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
