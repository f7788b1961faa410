"""Surveys from truth scenes, and a fitted roof held against the scene's truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LinearRing, Polygon

from rowplane import frames
from rowplane.model import Array, Face, Roof, Survey, SurveyFrame
from scenes import Face as TrueFace
from scenes import Scene


def survey_of(points_m: Array, name: str = "invented", **more: object) -> Survey:
    """A cloud in metres as ingest hands it over: float32 mm about a local origin."""
    origin = np.round(np.nanmean(points_m, axis=0))
    local = ((points_m - origin) * 1000).astype(np.float32)
    frame = SurveyFrame(origin, np.eye(3), "m", 1000.0, 1000.0)
    return Survey(name, "cloud", local, None, frame, (), **more)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Match:
    """A true face and the fitted face that shares most points with it.

    `outline_error_mm` is the greatest distance between the two outlines; `edge_errors_mm` the median distance of each true
    edge of a metre or more, its ends left out, from the fitted outline.
    """

    truth: TrueFace
    face: Face
    iou: float
    pitch_error_deg: float
    azimuth_error_deg: float
    area_error_percent: float
    outline_error_mm: float
    edge_errors_mm: tuple[float, ...]


def compare(scene: Scene, roof: Roof, labels: Array | None = None, least_iou: float = 0.5) -> list[Match]:
    """Matches at IoU of points; `roof.labels` must be in the order of the scene's points."""
    true = scene.labels if labels is None else labels
    matches = []
    for face in scene.faces:
        own = true == face.index
        ious = [(own & (roof.labels == k)).sum() / max((own | (roof.labels == k)).sum(), 1) for k in range(len(roof.faces))]
        if not ious or max(ious) < least_iou:
            continue
        k = int(np.argmax(ious))
        matches.append(_match(face, roof.faces[k], float(ious[k]), scene))
    return matches


def _match(truth: TrueFace, face: Face, iou: float, scene: Scene) -> Match:
    origin = np.round(np.nanmean(scene.points, axis=0))
    ring = np.array(face.outline.exterior.coords)
    space = frames.face_to_survey(face.frame, np.column_stack([ring, np.zeros(len(ring))])) / 1000 + origin
    u, v, _ = truth.to_face(space)
    fitted = Polygon(np.column_stack([u, v])).exterior
    off = fitted.hausdorff_distance(truth.polygon.exterior) * 1000
    ends = [(np.array(e.a_uv_m), np.array(e.b_uv_m)) for e in truth.edges]
    turn = (frames.azimuth_deg(face.frame) - truth.lsq.azimuth_deg + 180) % 360 - 180
    return Match(
        truth,
        face,
        iou,
        frames.pitch_deg(face.frame) - truth.lsq.pitch_deg,
        turn,
        100 * (face.area_m2 / truth.area_m2 - 1),
        off,
        tuple(1000 * _edge_error(fitted, a, b) for a, b in ends if np.linalg.norm(b - a) >= 1.0),
    )


def _edge_error(fitted: LinearRing, start: Array, end: Array) -> float:
    places = start + np.linspace(0.1, 0.9, 33)[:, None] * (end - start)
    return float(np.median(shapely.distance(fitted, shapely.points(places))))
