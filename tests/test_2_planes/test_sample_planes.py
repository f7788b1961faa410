"""Outlines of the sample with a tree over one eave: the last course rises to its nose by more than a gutter's threshold."""

from __future__ import annotations

import pytest

from rowplane.config import IngestConfig, PlanesConfig
from rowplane.ingest import read_survey
from rowplane.planes import fit_planes
from scenes import load_truth
from scenes.samples import SAMPLES


def test_an_eave_course_that_rises_is_no_gutter_and_a_ridge_is_where_faces_meet() -> None:
    truth = load_truth(SAMPLES / "truth" / "hip_and_gable.json")
    roof = fit_planes(read_survey((SAMPLES / "hip_and_gable" / "roof.laz",), IngestConfig()), PlanesConfig())
    long_faces = sorted(f.area_m2 for f in roof.faces)[1:]
    assert long_faces == pytest.approx(sorted(f.area_m2 for f in truth.faces)[1:], rel=0.005)
    for face in roof.faces:
        assert all(e.neighbour for e in face.edges if e.kind in ("ridge", "hip"))
