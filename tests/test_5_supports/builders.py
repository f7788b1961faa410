"""Faces, surfaces and arrays built by hand, so that supports are tested on their own."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon

from rowplane.config import HardwareConfig, ModuleConfig, RafterConfig, SiteConfig, SupportsConfig
from rowplane.frames import face_frame
from rowplane.model import (
    Array,
    Edge,
    Face,
    Layout,
    Line,
    Module,
    ModuleArray,
    SupportPlan,
    Surface,
    Surfaces,
    TilePattern,
)
from rowplane.supports import place_supports

GAP = 12.0
RAFTERS = (RafterConfig(spacing_mm=600, first_mm=300),)


class Bowl:
    """A height field with a known shape: sag up the slope and a twist; 1 mm white error."""

    def __init__(self, depth_mm: float = 20.0) -> None:
        self.depth_mm = depth_mm

    def mean_mm(self, uv_mm: Array) -> Array:
        u, v = np.asarray(uv_mm, dtype=float).T / 1000.0
        return self.depth_mm * (((v - 3.0) / 3.0) ** 2 - 0.5) + 1.5 * np.sin(u)

    def covariance_mm2(self, uv_mm: Array, other_uv_mm: Array | None = None) -> Array:
        other = uv_mm if other_uv_mm is None else other_uv_mm
        apart = np.linalg.norm(np.asarray(uv_mm)[:, None] - np.asarray(other)[None], axis=2)
        return np.exp(-((apart / 2000.0) ** 2)) + 1e-6 * (apart == 0)


def pattern(gauge=335.0, cover=300.0, pan_phase=150.0, pan_width=150.0, skew=0.0, tilt=0.0) -> TilePattern:
    return TilePattern(
        gauge, cover, 0.0, pan_phase, skew, tilt, 0.0, 60.0, 15.0, "high", np.zeros((4, 4)), 1.0, 0.3, 0.3, pan_width
    )


def face(width=12_000.0, depth=6_500.0, pitch=25.0, azimuth=180.0, name="A") -> Face:
    t, a = np.radians([pitch, azimuth])
    normal = np.array([np.sin(t) * np.sin(a), np.sin(t) * np.cos(a), np.cos(t)])
    corners = [(0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)]
    kinds = ("eave", "verge", "ridge", "verge")
    edges = tuple(Edge(k, corners[i], corners[(i + 1) % 4]) for i, k in enumerate(kinds))
    return Face(name, face_frame(np.zeros(3), normal), Polygon(corners), edges, (), 10_000, 20.0, np.eye(3) * 1e-8)


def surface(tiles: TilePattern | None, field=None, **kind) -> Surface:
    return Surface(
        face(**kind), tiles, field or Bowl(), 6.0, 8.0, 20.0, 60.0, np.zeros(2), 100.0, np.zeros((2, 2)), np.zeros((2, 2)),
        None, (), "left verge and first full course",
    )  # fmt: skip


def array_of(
    rows: list[list[float]], along_u=1134.0, along_v=1722.0, v0=600.0, name="A1", face_id="A", orientation="portrait"
) -> ModuleArray:
    """Modules at the given left edges, row by row."""
    modules, lines = [], []
    for r, lefts in enumerate(rows, start=1):
        front = v0 + (r - 1) * (along_v + GAP)
        modules += [
            Module(f"{name}-r{r}c{c}", r, c, (u, front, u + along_u, front + along_v)) for c, u in enumerate(lefts, start=1)
        ]
    for k in range(len(rows) + 1):
        v = v0 if k == 0 else v0 + k * (along_v + GAP) - (GAP if k == len(rows) else GAP / 2)
        touching = [m for m in modules if m.row in (k, k + 1)]
        spans = sorted((m.rect_mm[0], m.rect_mm[2]) for m in touching)
        runs: list[tuple[float, float]] = []
        for left, right in spans:
            if runs and left <= runs[-1][1] + GAP + 1:
                runs[-1] = (runs[-1][0], max(runs[-1][1], right))
            else:
                runs.append((left, right))
        rights = {(m.row, round(m.rect_mm[2] + GAP, 3)) for m in touching}
        seams = sorted({m.rect_mm[0] - GAP / 2 for m in touching if (m.row, round(m.rect_mm[0], 3)) in rights})
        lines.append(Line(k, v, tuple(runs), tuple(seams)))
    return ModuleArray(name, face_id, orientation, along_u, along_v, GAP, tuple(modules), tuple(lines), len(modules))


def block(rows: int, columns: int, u0=600.0, along_u=1134.0, **more) -> ModuleArray:
    """A rectangular array."""
    return array_of([[u0 + c * (along_u + GAP) for c in range(columns)] for _ in range(rows)], along_u=along_u, **more)


def layout(*arrays: ModuleArray) -> Layout:
    return Layout(tuple(arrays), ())


def surfaces(*each: Surface) -> Surfaces:
    return Surfaces(tuple(each))


def plan_of(
    array: ModuleArray, where: Surface | None = None, rafters=RAFTERS, hardware=None, module=None, site=None
) -> SupportPlan:
    return place_supports(
        layout(array), surfaces(where or surface(pattern())), SupportsConfig(), rafters, module or ModuleConfig(),
        hardware or HardwareConfig(), site or SiteConfig(),
    )  # fmt: skip
