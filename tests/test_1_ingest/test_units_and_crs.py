"""Unit, coordinate system, grid to ground: known from lead or file, else guessed and said so; degrees and Web Mercator refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyproj
import pytest

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.frames import survey_to_scan
from rowplane.units import MM_PER_UNIT
from test_1_ingest import ingest_builders as make

AUTO = IngestConfig()
UTM = np.array([400_000.0, 5_500_000.0, 0.0])


def size_m(points_mm: np.ndarray) -> np.ndarray:
    return np.ptp(points_mm, axis=0) / 1000


@pytest.mark.parametrize("unit", ["m", "mm", "cm", "ft", "us-ft", "in"])
def test_unit_of_the_lead(unit: str, tmp_path: Path) -> None:
    # International foot 0.3048 m, US survey foot 1200/3937 m: NIST SP 811, appendix B.6.
    metres = make.roof_points()
    path = make.write_ply(tmp_path / "roof.ply", metres * 1000 / MM_PER_UNIT[unit])
    survey = make.read(path, IngestConfig(unit=unit))
    assert size_m(survey.points_mm) == pytest.approx(np.ptp(metres, axis=0), abs=2e-5)
    assert survey.frame.unit == unit
    assert not survey.findings
    assert survey_to_scan(survey.frame, survey.points_mm) == pytest.approx(
        metres * 1000 / MM_PER_UNIT[unit], rel=1e-5, abs=1e-2
    )


@pytest.mark.parametrize(("unit", "factor"), [("m", 1.0), ("mm", 1000.0)])
def test_unknown_unit_is_guessed_and_said(unit: str, factor: float, tmp_path: Path) -> None:
    survey = make.read(make.write_ply(tmp_path / "roof.ply", make.roof_points() * factor), AUTO)
    assert survey.frame.unit == unit
    assert [f.code for f in survey.findings] == ["unit-guessed"]
    assert "guessed" in survey.frame.unit_source


@pytest.mark.parametrize(("head", "unit"), [("x_ft,y_ft,z_ft\n", "ft"), ("X [mm],Y [mm],Z [mm]\n", "mm")])
def test_unit_from_the_header_of_a_cloud(head: str, unit: str, tmp_path: Path) -> None:
    points = make.roof_points() * 1000 / MM_PER_UNIT[unit]
    survey = make.read(make.write_text(tmp_path / "roof.csv", points, head=head, mark=","), AUTO)
    assert survey.kind == "cloud"  # 3,000 rows with a unit are no readings somebody took one by one
    assert size_m(survey.points_mm) == pytest.approx(np.ptp(make.roof_points(), axis=0), abs=1e-3)


@pytest.mark.parametrize(
    ("crs", "unit_mm", "unit_z_mm"),
    [
        (32632, 1000.0, 1000.0),
        (2994, 304.8, 304.8),  # international feet
        (2226, 1_200_000 / 3937, 1_200_000 / 3937),  # US survey feet
        ("EPSG:32632+5773", 1000.0, 1000.0),
        ("EPSG:2226+5703", 1_200_000 / 3937, 1000.0),  # feet across, metres up
        ("EPSG:32632+8228", 1000.0, 304.8),  # metres across, feet up
    ],
)
def test_unit_of_the_crs_and_of_its_heights(crs: int | str, unit_mm: float, unit_z_mm: float, tmp_path: Path) -> None:
    flat = pyproj.CRS(crs).sub_crs_list[0] if pyproj.CRS(crs).is_compound else pyproj.CRS(crs)
    area = flat.area_of_use
    middle = pyproj.Transformer.from_crs(4326, flat, always_xy=True).transform(
        (area.west + area.east) / 2, (area.south + area.north) / 2
    )
    points = make.roof_points() * 1000 / np.array([unit_mm, unit_mm, unit_z_mm]) + np.array([*np.floor(middle), 0])
    survey = make.read(make.write_las(tmp_path / "roof.laz", points, crs=crs), AUTO)
    assert (survey.frame.unit_mm, survey.frame.unit_z_mm) == pytest.approx((unit_mm, unit_z_mm))
    assert survey.frame.grid_scale == pytest.approx(1.0, abs=2e-3)
    ground = np.ptp(make.roof_points(), axis=0) / [survey.frame.grid_scale, survey.frame.grid_scale, 1]
    assert size_m(survey.points_mm) == pytest.approx(ground, abs=0.002)


def test_grid_becomes_ground(tmp_path: Path) -> None:
    # The scale of UTM is 0.9996 on its central meridian by definition (Snyder, USGS PP 1395, 1987, p. 58), and grows by
    # x² / 2R² beside it: 100 km west, 0.9996 + 0.000123 (value from memory of the same series, R 6,380 km).
    on_axis = make.read(make.write_las(tmp_path / "a.laz", make.moved(500000, 5500000), crs=32632), AUTO)
    beside = make.read(make.write_las(tmp_path / "b.laz", make.roof_points() + UTM, crs=32632), AUTO)
    assert on_axis.frame.grid_scale == pytest.approx(0.9996, abs=1e-7)
    assert beside.frame.grid_scale == pytest.approx(0.9996 + 1e5**2 / (2 * 6.38e6**2), abs=2e-6)
    assert np.ptp(on_axis.points_mm[:, 0]) == pytest.approx(np.ptp(make.roof_points()[:, 0]) * 1000 / 0.9996, abs=0.02)
    assert np.ptp(on_axis.points_mm[:, 2]) == pytest.approx(np.ptp(make.roof_points()[:, 2]) * 1000, abs=0.02)
    back = survey_to_scan(beside.frame, beside.points_mm)
    assert np.abs(back - make.roof_points() - UTM).max() < 2e-5


def test_the_leads_unit_wins_over_the_files(tmp_path: Path) -> None:
    path = make.write_las(tmp_path / "roof.laz", make.roof_points() * 1000 / 304.8 + UTM * 1000 / 304.8, crs=32632)
    survey = make.read(path, IngestConfig(unit="ft"))
    assert survey.frame.unit_mm == 304.8
    assert survey.frame.grid_scale == pytest.approx(0.9996 + 1e5**2 / (2 * 6.38e6**2), abs=2e-6)


@pytest.mark.parametrize("crs", [4326, 4979, 3857, 4978, "EPSG:4326+5773"])
def test_degrees_and_web_mercator_are_refused(crs: int | str, tmp_path: Path) -> None:
    path = make.write_ply(tmp_path / "roof.ply", make.roof_points())
    with pytest.raises(RowplaneError, match="projected system"):
        make.read(path, IngestConfig(crs=f"EPSG:{crs}" if isinstance(crs, int) else crs))


def test_degrees_without_a_crs_are_seen(tmp_path: Path) -> None:
    points = make.roof_points() / np.array([1e5, 1e5, 1]) + np.array([7.0, 45.0, 0])
    path = tmp_path / "roof.xyz"
    path.write_text("".join("{:.9f} {:.9f} {:.3f}\n".format(*p) for p in points))
    with pytest.raises(RowplaneError, match="degrees"):
        make.read(path, AUTO)


def test_crs_that_cannot_be_read_stretches_or_does_not_fit(tmp_path: Path) -> None:
    path = make.write_ply(tmp_path / "roof.ply", make.roof_points())
    with pytest.raises(RowplaneError, match="cannot be read"):
        make.read(path, IngestConfig(crs="EPSG:999999"))
    assert [f.code for f in make.read(path, IngestConfig(crs="EPSG:2994")).findings] == ["crs-misfit"]
    far = make.write_ply(tmp_path / "far.ply", make.moved(2700000, 1700000))
    with pytest.raises(RowplaneError, match="stretches"):
        make.read(far, IngestConfig(crs="EPSG:3035"))  # equal area: true to scale at its centre only


def test_footprint_and_point_keep_what_is_near(tmp_path: Path) -> None:
    house = make.roof_points()
    path = make.write_las(tmp_path / "two.laz", np.vstack([house, make.moved(400, 0)]) + UTM, crs=32632)
    ring = ((398.0 + UTM[0], -1.0 + UTM[1]), (413.0 + UTM[0], -1.0 + UTM[1]), (413.0 + UTM[0], 7.0 + UTM[1]))
    survey = make.read(path, IngestConfig(footprint=ring))
    assert len(survey.points_mm) == len(house)
    assert dict(survey.dropped) == {"outside of the chosen place": len(house)}
    assert survey.footprint_mm is not None
    assert survey.footprint_mm.area / 1e6 == pytest.approx(60 / survey.frame.grid_scale**2, rel=1e-6)
    at = make.read(path, IngestConfig(at=(UTM[0] + 5, UTM[1] + 3)))
    assert len(at.points_mm) == len(house)
    assert at.at_mm is not None
    assert survey_to_scan(at.frame, np.array([[*at.at_mm, 0.0]]))[0, :2] == pytest.approx([UTM[0] + 5, UTM[1] + 3], abs=1e-6)
    with pytest.raises(RowplaneError, match="misses the scan"):
        make.read(path, IngestConfig(footprint=((0, 0), (9, 0), (9, 9))))


def test_footprint_as_geojson_in_degrees_and_in_the_grid(tmp_path: Path) -> None:
    path = make.write_las(tmp_path / "roof.laz", make.roof_points() + UTM, crs=32632)
    ring = np.array([[0, 0], [12, 0], [12, 6], [0, 6], [0, 0]]) + UTM[:2]
    degrees = np.column_stack(pyproj.Transformer.from_crs(32632, 4326, always_xy=True).transform(*ring.T))
    areas = []
    for name, corners in (("grid", ring), ("degrees", degrees)):
        feature = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [corners.tolist()]}}
        (tmp_path / f"{name}.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
        survey = make.read(path, IngestConfig(footprint=f"{name}.geojson"))
        assert survey.footprint_mm is not None
        areas.append(survey.footprint_mm.area / 1e6)
    assert areas == pytest.approx([72 / survey.frame.grid_scale**2] * 2, rel=1e-4)
    for text in ("no json", '{"type": "Point", "coordinates": [1, 2]}', "[]"):
        (tmp_path / "bad.geojson").write_text(text)
        with pytest.raises(RowplaneError, match="GeoJSON"):
            make.read(path, IngestConfig(footprint="bad.geojson"))
