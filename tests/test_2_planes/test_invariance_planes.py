"""The same cloud shuffled, shifted, turned or doubled gives the same faces; odd clouds give words, not tracebacks."""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import box

from rowplane import frames
from rowplane.config import IngestConfig, PlanesConfig
from rowplane.ingest import read_survey
from rowplane.model import Array, Roof, Survey, SurveyFrame
from rowplane.planes import fit_planes
from scenes import ClutterOptions, ScanOptions, make_scene
from test_2_planes.builders import compare, survey_of

METRES = IngestConfig(unit="m")
SCENE = make_scene("hip_and_gable", seed=4, scan=ScanOptions(density=150))


def _signature(roof: Roof, turn_deg: float = 0.0) -> list[tuple[float, float, float]]:
    faces = [
        (frames.pitch_deg(f.frame), (frames.azimuth_deg(f.frame) + turn_deg) % 360, f.area_m2) for f in roof.faces
    ]
    return sorted(faces, key=lambda f: f[1])


def _same(a: Roof, b: Roof, turn_deg: float, tolerance: float) -> None:
    first, second = _signature(a), _signature(b, turn_deg)
    assert len(first) == len(second) == 3
    for one, two in zip(first, second, strict=True):
        assert one[0] == pytest.approx(two[0], abs=tolerance)
        assert abs((one[1] - two[1] + 180) % 360 - 180) <= 2 * tolerance
        assert one[2] == pytest.approx(two[2], rel=0.2 * tolerance)


def test_shuffled_points_give_the_same_faces_and_labels() -> None:
    survey = survey_of(SCENE.points)
    order = np.random.default_rng(3).permutation(len(survey.points_mm))
    shuffled = Survey("invented", "cloud", survey.points_mm[order], None, survey.frame, ())
    plain, mixed = fit_planes(survey, PlanesConfig()), fit_planes(shuffled, PlanesConfig())
    _same(plain, mixed, 0.0, 1e-3)
    assert np.mean(plain.labels[order] == mixed.labels) > 0.9999


def test_a_shift_of_5000_km_changes_nothing() -> None:
    far = SCENE.points + np.array([5e6, 3e6, 120.0])
    _same(fit_planes(survey_of(SCENE.points), PlanesConfig()), fit_planes(survey_of(far), PlanesConfig()), 0.0, 0.02)


def test_two_files_far_from_the_origin_give_the_faces_of_one_near_it(tmp_path: Path) -> None:
    mixed = np.random.default_rng(5).permutation(SCENE.points)
    one = read_survey((_laz(tmp_path / "one.laz", SCENE.points),), METRES)
    halves = [_laz(tmp_path / f"{k}.laz", part + np.array([5e6, 0.0, 0.0])) for k, part in enumerate(np.array_split(mixed, 2))]
    _same(fit_planes(one, PlanesConfig()), fit_planes(read_survey(tuple(halves), METRES), PlanesConfig()), 0.0, 0.02)


def _laz(path: Path, points: Array) -> Path:
    header = laspy.LasHeader(point_format=7, version="1.4")
    header.scales, header.offsets = np.full(3, 0.001), np.floor(points.min(axis=0))
    cloud = laspy.LasData(header)
    cloud.xyz = points
    cloud.write(str(path))
    return path


@pytest.mark.parametrize("turn_deg", [33.0])
def test_a_turned_cloud_gives_turned_faces(turn_deg: float) -> None:
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    middle = SCENE.points.mean(axis=0)
    turned = (SCENE.points - middle) @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]).T + middle
    plain, other = fit_planes(survey_of(SCENE.points), PlanesConfig()), fit_planes(survey_of(turned), PlanesConfig())
    # Turning the cloud anticlockwise by t lowers compass directions by t.
    _same(plain, other, turn_deg, 0.15)


def test_the_same_input_gives_the_same_bits() -> None:
    survey = survey_of(SCENE.points)
    one, two = fit_planes(survey, PlanesConfig()), fit_planes(survey, PlanesConfig())
    assert np.array_equal(one.labels, two.labels)
    assert [f.outline.wkb for f in one.faces] == [f.outline.wkb for f in two.faces]


def _cloud(points_mm: Array) -> Survey:
    return Survey("odd", "cloud", points_mm.astype(np.float32), None, SurveyFrame(np.zeros(3), np.eye(3), "m", 1e3, 1e3), ())


RNG = np.random.default_rng(8)
ODD = {
    "none": np.zeros((0, 3)),
    "three": RNG.uniform(0, 1000, (3, 3)),
    "all equal": np.full((5000, 3), 700.0),
    "one line": np.column_stack([np.linspace(0, 9000, 4000), np.zeros(4000), np.zeros(4000)]),
    "NaN only": np.full((500, 3), np.nan),
    "a wall": np.column_stack([RNG.uniform(0, 9000, 9000), np.zeros(9000), RNG.uniform(0, 5000, 9000)]),
    "a cube of dust": RNG.uniform(0, 6000, (9000, 3)),
    "a flat roof": np.column_stack([RNG.uniform(0, 9000, (9000, 2)), RNG.normal(0, 6, 9000)]),
}


@pytest.mark.parametrize("kind", ODD)
def test_a_cloud_without_a_pitched_roof_says_so(kind: str) -> None:
    roof = fit_planes(_cloud(ODD[kind]), PlanesConfig())
    assert roof.faces == ()
    assert [f.code for f in roof.findings] == ["no-roof"]
    assert roof.findings[0].severity == "stop"
    assert len(roof.labels) == len(ODD[kind])
    assert (roof.labels == -1).all()


def test_a_flat_roof_is_named_with_area_and_pitch() -> None:
    text = fit_planes(_cloud(ODD["a flat roof"]), PlanesConfig()).findings[0].text
    assert 75 < float(text.split(" m²")[0].split()[-1]) < 87
    assert "0.0°" in text or "0.1°" in text


def test_strays_and_nan_do_not_matter() -> None:
    points = SCENE.points
    strays = np.vstack([points, points.mean(axis=0) + np.array([[900.0, 0, 0], [0, -700, 80], [0, 0, 400]]), np.full((40, 3), np.nan)])
    origin = np.round(points.mean(axis=0))
    local = ((strays - origin) * 1000).astype(np.float32)
    survey = Survey("invented", "cloud", local, None, SurveyFrame(origin, np.eye(3), "m", 1000.0, 1000.0), ())
    roof = fit_planes(survey, PlanesConfig())
    assert len(roof.faces) == 3
    assert (roof.labels[-43:] == -1).all()


def test_a_footprint_chooses_and_ends_the_face_that_runs_on() -> None:
    scene = make_scene("gable", seed=4, turn_deg=0.0, scan=ScanOptions(density=150))
    survey = survey_of(scene.points)
    x0, y0, x1, y1 = (1000 * v for v in affinity.translate(scene.outline, *-survey.frame.origin[:2]).bounds)
    half = survey_of(scene.points, footprint_mm=box(x0, y0, 0.5 * (x0 + x1), y1))
    whole = fit_planes(survey, PlanesConfig())
    cut = fit_planes(half, PlanesConfig())
    assert len(cut.faces) == 2
    for face in cut.faces:
        match = min(whole.faces, key=lambda f: abs(frames.azimuth_deg(f.frame) - frames.azimuth_deg(face.frame)))
        assert face.area_m2 == pytest.approx(0.5 * match.area_m2, rel=0.03)


def test_walls_narrower_than_the_eaves_cut_nothing() -> None:
    scene = make_scene("gable", seed=4, scan=ScanOptions(density=150))
    walls = affinity.translate(scene.outline.buffer(-0.45, join_style="mitre"), *-np.round(scene.points.mean(axis=0))[:2])
    survey = survey_of(scene.points, footprint_mm=affinity.scale(walls, 1000, 1000, origin=(0, 0)))
    plain, given = fit_planes(survey_of(scene.points), PlanesConfig()), fit_planes(survey, PlanesConfig())
    assert [f.area_m2 for f in given.faces] == pytest.approx([f.area_m2 for f in plain.faces])


def test_a_neighbour_is_listed_but_not_worked_on() -> None:
    scene = make_scene("gable", seed=6, scan=ScanOptions(density=150), clutter=ClutterOptions(neighbour=True))
    roof = fit_planes(survey_of(scene.points), PlanesConfig())
    assert len(compare(scene, roof)) == len(roof.faces) == 2
    assert len(roof.buildings) >= 2
    assert sum(b.chosen for b in roof.buildings) == 1
