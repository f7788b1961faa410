"""What is no sound tile stays out of the substrate and is said to be what it is."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

from rowplane.config import SurfaceConfig
from rowplane.model import Roof
from rowplane.model import Surface as Mapped
from rowplane.surface import map_surface
from rowplane.surface.cells import Cells
from rowplane.surface.mapping import DOUBTED_SIGMAS, settle
from rowplane.surface.smoothing import first_prior
from rowplane.surface.strips import find_strips
from scenes import BARE, ScanOptions, Scene, TileOptions, make_scene
from scenes.labels import CAP
from scenes.plan import Size
from test_3_surface.builders import roof_of, score, survey_of
from test_3_surface.test_poor_surveys import face_of, mapped, places, tiled

Array = NDArray[np.float64]
SMALL = Size(5.0, 5.6, 34.0, 34.0, 3.0, 3.0, 3.0)
DEFECTS = {
    "missing": TileOptions(missing=0.02),
    "growth": TileOptions(moss_patches=4),
    "displaced": TileOptions(slipped=0.01),
}


@cache
def house(defect: str) -> tuple[Scene, tuple[Mapped, ...]]:
    tiles = replace(DEFECTS.get(defect, TileOptions()), caps=False)
    scene = make_scene("gable", seed=77, size=SMALL, tiles=tiles, clutter=BARE)
    return scene, map_surface(survey_of(scene), roof_of(scene), SurfaceConfig()).surfaces


@pytest.mark.parametrize("defect", DEFECTS)
def test_no_foot_is_off_because_of_them(defect: str) -> None:
    """The same house with and without: substrate, scan and seating are the same, so the difference is the defects'."""
    (sound, before), (scene, after) = house("sound"), house(defect)
    for true, one, two in zip(scene.faces, before, after, strict=True):
        moved = score(scene, two, true).flat - score(sound, one, sound.faces[true.index]).flat
        assert np.abs(moved).max() <= 3.0


@pytest.mark.parametrize("defect", DEFECTS)
def test_they_are_told_apart(defect: str) -> None:
    after = house(defect)[1]
    areas = {kind: sum(p.outline.area for s in after for p in s.patches if p.kind == kind) for kind in DEFECTS}
    assert max(areas, key=lambda kind: areas[kind]) == defect


def test_missing_tiles_are_found_where_they_are() -> None:
    scene, after = house("missing")
    missing = [(true, surface, _tile_middles(true)) for true, surface in zip(scene.faces, after, strict=True)]
    assert any(len(holes) for *_, holes in missing)
    for true, surface, holes in missing:
        if len(holes) == 0:
            continue
        seen = shapely.union_all([p.outline for p in surface.patches if p.kind == "missing"])
        place = true.to_world(*holes.T) - scene.origin_m
        frame = surface.face.frame
        uv = ((place * 1000 - frame.origin_mm) @ frame.axes.T)[:, :2]
        assert shapely.contains_xy(seen, *uv.T).mean() >= 0.8


def _tile_middles(true) -> Array:  # type: ignore[no-untyped-def]
    """(u, v), m, of the middles of missing tiles that lie wholly on the face."""
    k, j = np.nonzero(true.laid.missing)
    course, column = k + true.laid.first[0] + 0.5, j + true.laid.first[1] + 0.5
    v = true.tile.nose_v_m(course)
    u = true.tile.u0_m + column * true.tile.cover_mm / 1000
    keep = shapely.contains_xy(true.polygon.buffer(-0.3), u, v)
    return np.column_stack([u, v])[keep]


@pytest.mark.parametrize(("density", "noise", "most"), [(600.0, 6.0, 1.0), (150.0, 10.0, 1.8)], ids=["usual", "sparse"])
def test_caps_are_cut_off_as_caps(density: float, noise: float, most: float) -> None:
    """Caps along a ridge that were labelled as the face: cut, shown as caps, and no lift of the substrate beneath."""
    scan = ScanOptions(density=density, white_mm=noise)
    scene = make_scene("gable", seed=5, size=SMALL, tiles=TileOptions(), scan=scan, clutter=BARE)
    survey, roof = survey_of(scene), roof_of(scene)
    u, v, _ = scene.faces[0].to_face(scene.points)
    caps = (scene.labels == CAP) & scene.faces[0].inside(u, v)
    assert caps.sum() > 50
    with_caps = Roof(roof.faces, np.where(caps, 0, roof.labels).astype(np.int16), ())
    plain, capped = (map_surface(survey, r, SurfaceConfig()).surfaces[0] for r in (roof, with_caps))
    found = [p for p in capped.patches if p.kind == "cap"]
    assert len(found) == 1
    assert found[0].height_mm > 15
    assert 0.08 <= found[0].outline.area / 1e6 / scene.faces[0].extent_m[0] <= 0.2
    assert not [p for p in plain.patches if p.kind == "cap"]
    moved = score(scene, capped, scene.faces[0]).flat - score(scene, plain, scene.faces[0]).flat
    assert np.abs(moved).max() <= most
    assert next(f.value for f in capped.findings if f.code == "points-left-out") >= 0.9 * caps.sum()


def test_a_slipped_tile_in_a_sharp_corner_is_doubted() -> None:
    """Its neighbours stand to one side only, so that 15 mm are few sigmas there; at four of them five of these twelve got in."""
    kept_out = sum(corner_off(seed, 15.0) > DOUBTED_SIGMAS for seed in range(12))
    assert kept_out >= 9
    assert sum(corner_off(seed, 0.0) > DOUBTED_SIGMAS for seed in range(2)) == 0


def corner_off(seed: int, lift_mm: float) -> float:
    """By how many sigmas the tile at the lower right corner of a triangle stands off, `lift_mm` higher than it was laid."""
    rng = np.random.default_rng(seed)
    outline = shapely.Polygon([(0, 0), (8000, 0), (4000, 5000)])
    u, v = (a.ravel() for a in np.meshgrid(np.arange(125.0, 8000, 260), np.arange(170.0, 5000, 340)))
    keep = shapely.contains_xy(outline, u, v)
    u, v = u[keep], v[keep]
    rafters = np.arange(0.0, 8700, 650)
    height = -20 * np.sin(np.pi * v / 5000) * np.sin(np.pi * u / 8000) + np.interp(u, rafters, rng.normal(0, 2.5, len(rafters)))
    height += rng.normal(0, 2, len(u)) + rng.normal(0, 1, len(u))
    corner, n = int(np.argmax(u - v)), len(u)
    height[corner] += lift_mm
    tile = np.column_stack([v // 340, u // 260]).astype(np.int64)
    cells = Cells(np.column_stack([u, v]), height, np.full(n, 40.0), tile, np.ones(n), 6.3, 0.0, np.zeros((0, 4)), (0, 0, 0))
    return float(settle(cells, first_prior(outline, 2.0, 1.5, 3000.0))[1][corner])


def test_a_tray_lies_lower() -> None:
    points = tiled(places(20_000))
    tray = points[:, 0] < 90
    points[tray, 2] = -5.0
    kinds = {p.kind: p for p in mapped(points).patches}
    assert set(kinds) == {"tray"}
    assert kinds["tray"].height_mm < 0


def test_sound_edges_are_left_alone() -> None:
    """Tiles to the very edge, on a roof that bends there: nothing is cut."""
    points = tiled(places(20_000))
    points[:, 2] += 12 * np.sin(np.pi * points[:, 1] / 5000) - 8 * (points[:, 1] / 5000) ** 3
    assert [p for p in mapped(points).patches if p.kind in ("cap", "tray")] == []


def test_strips_need_points() -> None:
    assert find_strips(face_of(8000, 5000).edges, np.zeros(3), np.zeros(3), np.array([0.0, 50.0, 60.0])) == ()
