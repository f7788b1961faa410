"""Faces of four to six square metres in sparse scans, which are few cells; and what is none beside them."""

from __future__ import annotations

import pytest

from rowplane.config import PlanesConfig
from rowplane.planes import fit_planes
from scenes import ScanOptions, make_scene
from test_2_planes.builders import compare, survey_of


@pytest.mark.parametrize("seed", [12, 14])
def test_half_hips_are_found_at_thirty_points_a_square_metre(seed: int) -> None:
    scene = make_scene("half_hip", seed=seed, pitch_deg=35.0, scan=ScanOptions(density=30, white_mm=12.0))
    roof = fit_planes(survey_of(scene.points), PlanesConfig())
    matches = compare(scene, roof)
    assert len(matches) == len(roof.faces) == 4
    small = [m for m in matches if m.truth.area_m2 < 6]
    assert len(small) == 2
    for m in small:
        assert m.iou > 0.7
        assert abs(m.pitch_error_deg) < 1.5
        assert sorted(e.kind for e in m.face.edges) == ["eave", "hip", "hip"]


def test_a_wing_that_dies_just_under_the_ridge_parts_no_face() -> None:
    scene = make_scene("cross_gable", seed=11, pitch_deg=35.0, scan=ScanOptions(density=30, white_mm=12.0))
    matches = compare(scene, fit_planes(survey_of(scene.points), PlanesConfig()))
    assert len(matches) == 4
    assert all(abs(m.area_error_percent) < 10 for m in matches)
