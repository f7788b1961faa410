"""Faces of real houses for placement. 3DBAG, CC BY 4.0: LoD2.2 roof surfaces, rings in metres, projected; skipped where absent."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from open_data import OPEN_DATA
from rowplane.frames import face_frame, survey_to_face
from rowplane.geometry import fit_plane
from rowplane.model import EdgeKind, Face
from test_4_placement.builders import face

FILE = OPEN_DATA / "roof_polygons.json"
LEVEL_SHARE = 0.1
"""A side that rises less than this per length is an eave or a ridge; others are taken as verges (kinds are not in the data)."""


def real_faces() -> list[Face]:
    """All faces of the file in their own u, v, mm."""
    return [_face(k, record) for k, record in enumerate(json.loads(FILE.read_text())["faces"])]


def _face(number: int, record: dict[str, Any]) -> Face:
    ring = np.array(record["ring"], dtype=float) * 1000.0
    plane = fit_plane(ring)
    uv = survey_to_face(face_frame(plane.centroid, plane.normal), ring)[:, :2]
    if not Polygon(uv).exterior.is_ccw:
        uv = uv[::-1]
    middle = float(Polygon(uv).centroid.y)
    kinds: list[EdgeKind] = []
    for a, b in zip(uv, np.roll(uv, -1, axis=0), strict=True):
        level = abs(b[1] - a[1]) < LEVEL_SHARE * np.hypot(*(b - a))
        kinds.append("verge" if not level else "ridge" if 0.5 * (a[1] + b[1]) > middle else "eave")
    corners = [(float(u), float(v)) for u, v in uv]
    return face(corners, kinds, name=f"R{number}", pitch=record["pitch"], azimuth=record["azimuth"])
