"""Faces and surfaces built by hand: placement asks a surface for its face only."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from rowplane.frames import face_frame
from rowplane.model import Edge, EdgeKind, Face, Obstacle, Surface, Surfaces


class NoHeight:
    """Placement must never ask for heights."""

    def mean_mm(self, uv_mm: np.ndarray) -> np.ndarray:
        raise AssertionError("placement asked for a height")

    def covariance_mm2(self, uv_mm: np.ndarray, other_uv_mm: np.ndarray | None = None) -> np.ndarray:
        raise AssertionError("placement asked for a height")


def face(
    ring: Sequence[tuple[float, float]],
    kinds: Sequence[EdgeKind] | None = None,
    *,
    name: str = "A",
    obstacles: Sequence[Obstacle] = (),
    pitch: float = 30.0,
    azimuth: float = 180.0,
    neighbours: Sequence[str | None] | None = None,
    used: bool = True,
    note: str = "",
) -> Face:
    """A face with outline `ring` in u, v, mm; side k runs from corner k to k + 1 and is of `kinds[k]` (all verges without)."""
    outline = orient(Polygon(ring), 1.0)
    points = [tuple(p) for p in ring]
    kinds = kinds or ["verge"] * len(points)
    neighbours = neighbours or [None] * len(points)
    edges = tuple(
        Edge(kind, points[k], points[(k + 1) % len(points)], neighbour)
        for k, (kind, neighbour) in enumerate(zip(kinds, neighbours, strict=True))
    )
    tilt, towards = np.radians(pitch), np.radians(azimuth)
    normal = np.array([np.sin(tilt) * np.sin(towards), np.sin(tilt) * np.cos(towards), np.cos(tilt)])
    return Face(
        name, face_frame(np.zeros(3), normal), outline, edges, tuple(obstacles), 1000, 5.0, np.zeros((3, 3)), used, note
    )


def rectangle(width: float, height: float, **more: object) -> Face:
    """A gable face: eave at v = 0, verges at both sides, ridge at the top."""
    ring = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    return face(ring, ["eave", "verge", "ridge", "verge"], **more)  # type: ignore[arg-type]


def surfaces(*faces: Face) -> Surfaces:
    """Surfaces of these faces, without heights."""
    empty = np.zeros((0, 0))
    return Surfaces(
        tuple(
            Surface(
                f, None, NoHeight(), 5.0, 0.0, 0.0, 0.0, np.zeros(2), 100.0, empty, empty, None, (), "left verge, first course"
            )
            for f in faces
        )
    )
