"""Faces, outlines and labels of truth scenes: gable, hip, L, cross gable, half-hip with trees, gutters, caps, chimneys."""

from __future__ import annotations

import numpy as np
import pytest

from rowplane.config import PlanesConfig
from rowplane.planes import fit_planes
from scenes import make_scene
from test_2_planes.builders import compare, survey_of


@pytest.mark.parametrize("shape", ["gable", "hip", "l_shape", "cross_gable", "half_hip"])
def test_every_face_is_found_and_none_besides(shape: str) -> None:
    scene = make_scene(shape, seed=2)
    roof = fit_planes(survey_of(scene.points), PlanesConfig())
    matches = compare(scene, roof)
    assert len(matches) == len(scene.faces) == len(roof.faces)
    for m in matches:
        limit = 0.1 if m.truth.area_m2 > 10 else 0.2
        assert abs(m.pitch_error_deg) <= limit
        assert abs(m.azimuth_error_deg) <= 0.2
        assert abs(m.area_error_percent) <= 3.5
        assert m.iou >= 0.97


def test_edges_of_an_l_meet_at_the_true_corners() -> None:
    scene = make_scene("l_shape", seed=2)
    roof = fit_planes(survey_of(scene.points), PlanesConfig())
    for m in compare(scene, roof):
        assert sorted(e.kind for e in m.face.edges) == sorted(e.kind for e in m.truth.edges)
        assert m.outline_error_mm < 2 * 1000 / np.sqrt(600)


def test_neighbours_name_each_other() -> None:
    scene = make_scene("hip", seed=2)
    roof = fit_planes(survey_of(scene.points), PlanesConfig())
    pairs = {(f.id, e.neighbour, e.kind) for f in roof.faces for e in f.edges if e.neighbour}
    assert pairs
    assert all((b, a, kind) in pairs for a, b, kind in pairs)
