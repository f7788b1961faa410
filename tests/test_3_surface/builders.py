"""Faces from truth scenes without the planes stage, and scores of a Surface against the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rowplane.frames import face_frame, face_to_survey, survey_to_face
from rowplane.model import Edge, Face, Roof, Survey, SurveyFrame
from rowplane.model import Surface as Mapped
from scenes import Face as TrueFace
from scenes import Scene
from scenes.faces import grid_uv_m

Array = NDArray[np.float64]
FRAME = SurveyFrame(np.zeros(3), np.eye(3), "m", 1000.0, 1000.0)


def survey_of(scene: Scene) -> Survey:
    """The scene's points in millimetres from its own origin."""
    return Survey("scene", "cloud", (scene.points - scene.origin_m) * 1000, None, FRAME, ())


def roof_of(scene: Scene, wobble: float = 0.0) -> Roof:
    """Faces with the true outlines and the true labels; `wobble` tilts their planes at random, as a fit would."""
    rng = np.random.default_rng(scene.seed)
    faces = tuple(_face(scene, face, wobble * rng.standard_normal(3)) for face in scene.faces)
    return Roof(faces, np.where(scene.labels >= 0, scene.labels, -1).astype(np.int16), ())


def _face(scene: Scene, true: TrueFace, tilt: Array) -> Face:
    def survey(uv: tuple[float, float]) -> Array:
        return (true.to_world(np.array([uv[0]]), np.array([uv[1]])) - scene.origin_m) * 1000

    frame = face_frame(survey((0.0, 0.0))[0], true.normal + tilt)

    def here(uv: tuple[float, float]) -> tuple[float, float]:
        u, v = survey_to_face(frame, survey(uv))[0, :2]
        return float(u), float(v)

    edges = tuple(Edge(e.kind, here(e.a_uv_m), here(e.b_uv_m), None) for e in true.edges)
    outline = shapely.Polygon([here(tuple(p)) for p in true.outline_uv_m])
    return Face(chr(65 + true.index), frame, outline, edges, (), int((scene.labels == true.index).sum()), 0.0, np.zeros((3, 3)))


@dataclass(frozen=True)
class Score:
    """Errors of the substrate on a grid over the true face, mm: raw, without their best plane, stated sd, place, distance."""

    raw: Array
    flat: Array
    uv: Array
    distance_m: Array

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.flat**2)))


def score(scene: Scene, surface: Mapped, true: TrueFace, step_m: float = 0.15) -> Score:
    """Substrate error of a mapped face against the scene, on a grid of `step_m`."""
    u, v = grid_uv_m(true.polygon.buffer(-0.02), step_m)
    place = survey_to_face(surface.face.frame, (true.to_world(u, v) - scene.origin_m) * 1000)[:, :2]
    truth = survey_to_face(surface.face.frame, (true.to_world(u, v, true.substrate_mm(u, v)) - scene.origin_m) * 1000)[:, 2]
    raw = surface.height.mean_mm(place) - truth
    a = np.column_stack([np.ones(len(u)), u, v])
    flat = raw - a @ np.linalg.lstsq(a, raw, rcond=None)[0]
    return Score(raw, flat, place, shapely.distance(shapely.points(u, v), true.polygon.exterior))


def grid_errors_mm(scene: Scene, surface: Mapped, true: TrueFace) -> tuple[Array, Array]:
    """How far noses and pan centres of the mapped pattern lie from the nearest true ones, over the face; no pans where none are known."""
    pattern = surface.pattern
    assert pattern is not None
    u0, v0, u1, v1 = surface.face.outline.bounds
    middle = np.array([[(u0 + u1) / 2, (v0 + v1) / 2]])
    courses = np.arange(1, int((v1 - v0) / pattern.gauge_mm))
    pans = np.arange(1, int((u1 - u0) / pattern.cover_width_mm) if pattern.has_pans else 0)
    nose = np.column_stack([np.full(len(courses), middle[0, 0]), pattern.nose_mm(courses, middle[0, 0])])
    pan = np.column_stack([pattern.pan_mm(pans, middle[0, 1]), np.full(len(pans), middle[0, 1])])
    back = [true.to_face(face_to_survey(surface.face.frame, np.column_stack([p, np.zeros(len(p))])) / 1000 + scene.origin_m)
            for p in (nose, pan)]  # fmt: skip
    course = true.tile.course(back[0][1])
    column = true.tile.column(back[1][0], back[1][1])
    share = true.tile.pan_u_m(np.zeros(1), np.zeros(1))[0] - true.tile.u0_m
    off = column - share * 1000 / true.tile.cover_mm
    return (course - np.round(course)) * true.tile.gauge_mm, (off - np.round(off)) * true.tile.cover_mm
