"""Real open scans: robustness, and a published reconstruction as a second opinion. Skipped where the data are absent.

gable, twin, l_hip: AHN3 (CC0) by way of City3D; single_gable: AHN (CC0) by way of tweedegolf/laszip-rs; row_a, row_b:
IGN LiDAR HD, Etalab Open Licence 2.0; barn: computed from photos by A. Zaborowski, CC BY 3.0.
"""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest

from open_data import OPEN_DATA, needs_open_data
from rowplane import frames
from rowplane.config import IngestConfig, PlanesConfig
from rowplane.ingest import read_survey
from rowplane.model import Roof
from rowplane.planes import fit_planes

pytestmark = needs_open_data


@cache
def _roof(name: str) -> Roof:
    return fit_planes(read_survey((OPEN_DATA / name,), IngestConfig()), PlanesConfig())


def _turn(a: float, b: float) -> float:
    return abs((a - b + 180) % 360 - 180)


@pytest.mark.parametrize("name", ["gable_local", "twin_local", "l_hip_local"])
def test_second_opinion_is_shared(name: str) -> None:
    faces = json.loads((OPEN_DATA / "second_opinion.json").read_text())["faces"][name]
    # A reconstruction that leaves 90 mm rms to its own points is no reference for angles.
    sure = [face for face in faces if face["area_m2"] >= 8 and face["rms_m"] <= 0.06]
    assert sure
    for other in sure:
        near = [
            f for f in _roof(f"{name}.ply").faces
            if abs(frames.pitch_deg(f.frame) - other["pitch"]) < 1 and _turn(frames.azimuth_deg(f.frame), other["azimuth"]) < 2
        ]
        assert near, other
        # One of ten comes out 12 % smaller: the reference runs on under the parapet of the next test.
        assert min(abs(f.area_m2 / other["area_m2"] - 1) for f in near) < (0.13 if other["area_m2"] == 14.75 else 0.1)


def test_a_face_ends_at_the_parapet_that_stands_on_its_gable() -> None:
    roof = _roof("l_hip_local.ply")
    survey = read_survey((OPEN_DATA / "l_hip_local.ply",), IngestConfig())
    faces = [f for f in roof.faces if any(e.kind == "step" for e in f.edges)]
    assert len(faces) == 2
    for face in faces:
        side = next(e for e in face.edges if e.kind == "step")
        start, end = np.array(side.start_uv), np.array(side.end_uv)
        run = (end - start) / np.linalg.norm(end - start)
        uvw = frames.survey_to_face(face.frame, survey.points_mm.astype(float))
        out, along = (uvw[:, :2] - start) @ np.array([run[1], -run[0]]), (uvw[:, :2] - start) @ run
        beside = (along > 0) & (along < np.linalg.norm(end - start)) & (np.abs(uvw[:, 2]) < 1500)
        assert (uvw[beside & (out > 0) & (out < 400), 2] > 200).all()
        assert np.abs(uvw[beside & (out < 0) & (out > -100), 2]).min() < 50


def test_labelled_roofs_beat_published_cover() -> None:
    # Roofs with a plane label per point (Coarse2FineRoofPlane, MIT). mCov: mean over true planes of the best IoU; published
    # networks reach 0.90 to 0.94 on such sets (DeepRoofPlane, arXiv 2309.03722; PlaneTransformer, IEEE TGRS 2025).
    covers = []
    for name in ("labelled_a.txt", "labelled_b.txt"):
        true = np.loadtxt(OPEN_DATA / name)[:, 3]
        # Flat roofs are labelled there too.
        roof = fit_planes(read_survey((OPEN_DATA / name,), IngestConfig()), PlanesConfig(min_pitch_deg=0))
        ious = [[np.sum((true == k) & (roof.labels == j)) / np.sum((true == k) | (roof.labels == j)) for j in range(len(roof.faces))]
                for k in np.unique(true)]
        assert len(roof.faces) == len(ious)
        covers.append(np.mean([max(row) for row in ious]))
    assert min(covers) > 0.94


def test_the_smallest_sane_scan() -> None:
    faces = _roof("single_gable_no_crs.laz").faces
    assert sorted(frames.pitch_deg(f.frame) for f in faces) == pytest.approx([29.9, 30.1], abs=0.2)


def test_flat_blocks_are_no_roof() -> None:
    roof = _roof("row_a_epsg2154.laz")
    assert [f.code for f in roof.findings] == ["no-roof"]


def test_a_row_has_one_pitch() -> None:
    faces = _roof("row_b_epsg2154.laz").faces
    main = [f for f in faces if f.area_m2 > 40]
    assert [frames.pitch_deg(f.frame) for f in main] == pytest.approx([19.6, 19.6], abs=0.3)
    assert sorted(frames.azimuth_deg(f.frame) for f in main) == pytest.approx([42.1, 221.7], abs=0.5)


@pytest.mark.long
def test_a_photogrammetric_barn() -> None:
    faces = _roof("barn_photogrammetry.laz").faces
    pitches = [frames.pitch_deg(f.frame) for f in faces if _turn(frames.azimuth_deg(f.frame), 138) < 5 or _turn(frames.azimuth_deg(f.frame), 318) < 5]
    assert sorted(pitches)[:2] == pytest.approx([18.3, 18.9], abs=0.3)
    assert len(faces) <= 6


@pytest.mark.long
def test_trees_beside_a_barn_are_no_faces() -> None:
    assert len(_roof("barn_photogrammetry.laz").faces) == 2
