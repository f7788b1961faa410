"""Surveys from truth scenes, and a fitted roof held against the scene's truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely.geometry import Polygon

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
    """A true face and the fitted face that shares most points with it."""

    truth: TrueFace
    face: Face
    iou: float
    pitch_error_deg: float
    azimuth_error_deg: float
    area_error_percent: float
    outline_error_mm: float


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
    off = Polygon(np.column_stack([u, v])).exterior.hausdorff_distance(truth.polygon.exterior) * 1000
    turn = (frames.azimuth_deg(face.frame) - truth.lsq.azimuth_deg + 180) % 360 - 180
    return Match(
        truth,
        face,
        iou,
        frames.pitch_deg(face.frame) - truth.lsq.pitch_deg,
        turn,
        100 * (face.area_m2 / truth.area_m2 - 1),
        off,
    )
