"""Open data of other people's roofs: what the readers find in them. Skipped where the data are not at hand."""

from __future__ import annotations

import numpy as np
import pytest

from open_data import OPEN_DATA, needs_open_data
from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest import read_survey

pytestmark = needs_open_data


@pytest.mark.parametrize(
    ("name", "points", "epsg", "unit_mm", "across_m"),
    [
        # IGN LiDAR HD (Etalab Open Licence 2.0), by way of IGNF/ign-pdal-tools test data (MIT)
        ("row_a_epsg2154.laz", 84_524, 2154, 1000.0, 50.0),
        ("row_b_epsg2154.laz", 72_770, 2154, 1000.0, 50.0),
        # Watershed Sciences / PDAL data (CC BY 4.0): coordinates and heights in international feet
        ("houses_feet_epsg2994.laz", 47_160, 2994, 304.8, 379.96 * 0.3048),
        # AHN3 (CC0), by way of the City3D dataset
        ("gable_local.ply", 2_851, None, 1000.0, 20.14),
        # AHN (CC0), by way of tweedegolf/laszip-rs
        ("single_gable_no_crs.laz", 1_473, None, 1000.0, 10.9),
        # A. Zaborowski (CC BY 3.0)
        ("barn_photogrammetry.laz", 696_846, 2180, 1000.0, 44.2),
        # Coarse2FineRoofPlane (MIT): x y z label
        ("labelled_a.txt", 2_048, None, 1000.0, 13.27),
    ],
)
def test_points_unit_and_system(name: str, points: int, epsg: int | None, unit_mm: float, across_m: float) -> None:
    survey = read_survey((OPEN_DATA / name,), IngestConfig())
    assert len(survey.points_mm) == points
    assert survey.frame.epsg == epsg
    assert survey.frame.unit_mm == pytest.approx(unit_mm)
    assert survey.frame.unit_z_mm == pytest.approx(unit_mm)
    assert np.ptp(survey.points_mm[:, 0]) / 1000 == pytest.approx(across_m, rel=2e-3)
    assert ("unit-guessed" in {f.code for f in survey.findings}) == (epsg is None)


def test_two_tiles_of_a_row_join() -> None:
    # IGN LiDAR HD (Etalab Open Licence 2.0), by way of IGNF/ign-pdal-tools test data (MIT)
    names = ("row_a_epsg2154.laz", "row_b_epsg2154.laz")
    survey = read_survey(tuple(OPEN_DATA / name for name in names), IngestConfig())
    assert [s.points for s in survey.sources] == [84_524, 72_770]
    assert np.ptp(survey.points_mm[:, 0]) / 1000 == pytest.approx(100, abs=0.1)


def test_steps_lost_in_an_earlier_export_are_seen() -> None:
    # AHN3 (CC0), by way of the City3D dataset: 31 mm is the float32 spacing of northings near 500 km.
    assert read_survey((OPEN_DATA / "gable_local.ply",), IngestConfig()).step_mm == pytest.approx(31.25)


def test_raster_cells_become_points() -> None:
    # A. Zaborowski (CC BY 3.0)
    survey = read_survey((OPEN_DATA / "barn_dsm_5cm_epsg2180.tif",), IngestConfig())
    assert len(survey.points_mm) + dict(survey.dropped)["raster cells without a height"] == 880 * 880
    assert survey.step_mm < 0.01


def test_what_is_no_roof_is_refused() -> None:
    # libE57Format test data (CC0)
    with pytest.raises(RowplaneError, match="no roof"):
        read_survey((OPEN_DATA / "not_a_roof.e57",), IngestConfig())
