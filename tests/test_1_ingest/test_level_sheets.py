"""Level surveys: readings in any unit, from a staff or as heights, stand where they were taken."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.frames import azimuth_deg, face_frame, pitch_deg, survey_to_face
from rowplane.geometry import fit_plane
from rowplane.ingest import read_survey
from rowplane.model import Survey
from rowplane.units import MM_PER_UNIT

PITCH = np.radians(32.0)
U, V = (a.ravel() * 1000.0 for a in np.meshgrid(np.arange(0.0, 9.0), np.arange(0.0, 5.0)))
BOW = 12.0 * np.sin(np.pi * U / 8000) * np.sin(np.pi * V / 4000) + np.random.default_rng(2).normal(0, 2, len(U))
HEIGHT = V * np.sin(PITCH) + BOW * np.cos(PITCH)


def sheet(path: Path, names: Iterable[str], columns: Iterable[np.ndarray], extra: str = "") -> Path:
    rows = ["{},{:.9f},{:.9f},{:.9f}".format(f"p{i}", *row) for i, row in enumerate(zip(*columns, strict=True))]
    path.write_text("\n".join([",".join(["point", *names]), *rows]) + "\n" + extra)
    return path


def read(path: Path, **config: object) -> Survey:
    return read_survey((path,), IngestConfig(**config))


def over_plane(survey: Survey) -> np.ndarray:
    plane = fit_plane(survey.points_mm)
    return (survey.points_mm - plane.centroid) @ plane.normal


def flat_bow() -> np.ndarray:
    """The bow over its own least-squares plane in u, v."""
    design = np.column_stack([np.ones(len(U)), U, V])
    return BOW - design @ np.linalg.lstsq(design, BOW, rcond=None)[0]


@pytest.mark.parametrize("unit", ["m", "mm", "ft", "in"])
@pytest.mark.parametrize("kind", ["staff", "height"])
def test_readings_in_every_unit(unit: str, kind: str, tmp_path: Path) -> None:
    size = MM_PER_UNIT[unit]
    told = 4321.0 - HEIGHT if kind == "staff" else HEIGHT + 77.0
    path = sheet(tmp_path / "sheet.csv", [f"u_{unit}", f"v_{unit}", f"{kind}_{unit}"], [U / size, V / size, told / size])
    survey = read(path, azimuth_deg=135)
    assert survey.kind == "level"
    assert survey.frame.unit == unit
    assert survey.readings is not None
    assert survey.readings.given_uv
    assert survey.readings.u_mm == pytest.approx(U, abs=1e-5)
    assert survey.readings.v_mm == pytest.approx(V, abs=1e-5)
    assert survey.readings.point[3] == "p3"
    assert survey.readings.height_mm - survey.readings.height_mm[0] == pytest.approx(HEIGHT - HEIGHT[0], abs=1e-5)
    # w over the plane is that of the substrate: turning the plane onto the bow changes it in second order only.
    assert np.abs(over_plane(survey) - flat_bow()).max() < 0.05
    face = face_frame(np.zeros(3), fit_plane(survey.points_mm).normal)
    assert azimuth_deg(face) == pytest.approx(135, abs=0.1)
    assert pitch_deg(face) == pytest.approx(32, abs=0.1)
    uv = survey_to_face(face, survey.points_mm)[:, :2]
    assert np.abs(uv - np.column_stack([U, V]) - (uv - np.column_stack([U, V])).mean(axis=0)).max() < 3
    assert "azimuth-assumed" not in {f.code for f in survey.findings}


def test_units_may_differ_by_column(tmp_path: Path) -> None:
    path = sheet(tmp_path / "sheet.csv", ["u_ft", "v_m", "staff_mm"], [U / 304.8, V / 1000, 5000 - HEIGHT])
    assert np.abs(over_plane(read(path)) - flat_bow()).max() < 0.05


def test_what_is_assumed_is_said(tmp_path: Path) -> None:
    path = sheet(tmp_path / "sheet.csv", ["u_m", "v_m", "staff_m"], [U / 1000, V / 1000, 5 - HEIGHT / 1000])
    assert {f.code for f in read(path).findings} == {"azimuth-assumed", "pitch-from-readings"}
    assert not read(path, azimuth_deg=10, pitch_deg=32).findings


def test_given_pitch_is_kept(tmp_path: Path) -> None:
    path = sheet(tmp_path / "sheet.csv", ["u_m", "v_m", "staff_m"], [U / 1000, V / 1000, 5 - HEIGHT / 1000])
    survey = read(path, pitch_deg=32, azimuth_deg=0)
    # Plan place up the slope is v cos θ for readings on the plane, less w sin θ off it.
    assert -survey.points_mm[:, 1] == pytest.approx(V * np.cos(PITCH) - (BOW - survey_base(survey)) * np.sin(PITCH), abs=0.01)


def survey_base(survey: Survey) -> float:
    """Height of the datum that the reader took for zero, as w."""
    first = survey.points_mm[0, 2]
    return float(BOW[0] - first / np.cos(PITCH))


def test_xyz_readings_keep_their_points(tmp_path: Path) -> None:
    east, north, up = 500 + U / 1000, 600 + V * np.cos(PITCH) / 1000, 20 + V * np.sin(PITCH) / 1000
    survey = read(sheet(tmp_path / "sheet.csv", ["x_m", "y_m", "z_m"], [east, north, up]))
    assert survey.readings is not None
    assert not survey.readings.given_uv
    assert survey.readings.u_mm == pytest.approx(8000 - (8000 - U), abs=1e-3)
    assert survey.readings.v_mm == pytest.approx(V, abs=1e-3)
    assert pitch_deg(face_frame(np.zeros(3), fit_plane(survey.points_mm).normal)) == pytest.approx(32, abs=1e-6)
    back = survey.points_mm / 1000 + survey.frame.origin
    assert back == pytest.approx(np.column_stack([east, north, up]), abs=1e-9)


def test_footprint_in_u_and_v(tmp_path: Path) -> None:
    path = sheet(tmp_path / "sheet.csv", ["u_ft", "v_ft", "staff_ft"], [U / 304.8, V / 304.8, (5000 - HEIGHT) / 304.8])
    ring = tuple((u / 304.8, v / 304.8) for u, v in ((-200, 0), (8200, 0), (8200, 4200), (-200, 4200)))
    survey = read(path, footprint=ring, azimuth_deg=90, pitch_deg=32)
    assert survey.footprint_mm is not None
    # Facing a roof that looks east, the eave runs from south to north and the slope rises westwards.
    assert survey.footprint_mm.bounds == pytest.approx((-4200 * np.cos(PITCH), -200, 0, 8200), abs=1e-6)


def test_lines_without_a_reading_are_counted(tmp_path: Path) -> None:
    path = sheet(
        tmp_path / "sheet.csv", ["u_m", "v_m", "staff_m"], [U / 1000, V / 1000, 5 - HEIGHT / 1000], "px,1,1,\n\npy,2,2,\n"
    )
    assert dict(read(path).dropped) == {"lines without a reading": 2}


def test_shuffled_readings_are_the_same_survey(tmp_path: Path) -> None:
    order = np.random.default_rng(3).permutation(len(U))
    columns = [U / 1000, V / 1000, (HEIGHT + 77.0) / 1000]
    names = ["u_m", "v_m", "height_m"]
    a = read(sheet(tmp_path / "a.csv", names, columns), azimuth_deg=135)
    b = read(sheet(tmp_path / "b.csv", names, [c[order] for c in columns]), azimuth_deg=135)
    assert a.readings is not None
    assert b.readings is not None
    assert b.readings.height_mm == pytest.approx(a.readings.height_mm[order], abs=1e-5)
    assert fit_plane(b.points_mm).normal == pytest.approx(fit_plane(a.points_mm).normal, abs=1e-9)
    assert over_plane(b) == pytest.approx(over_plane(a)[order], abs=1e-3)


def test_a_sheet_cut_short_counts_its_last_line(tmp_path: Path) -> None:
    path = sheet(tmp_path / "sheet.csv", ["u_m", "v_m", "height_m"], [U / 1000, V / 1000, (HEIGHT + 77.0) / 1000])
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:20], lines[20].rsplit(",", 1)[0]]))
    survey = read(path)
    assert len(survey.points_mm) == 19
    assert [count for _, count in survey.dropped] == [1]
    assert "points-dropped" in {f.code for f in survey.findings}


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("u_m,v_m,staff_m\n1,2,3\n2,2,x\n3,1,2\n4,1,2\n", "line 3"),
        ("u_m,v_m,staff_m\n1,2,3\n2,3,2\n", "2 readings"),
        ("u_m,v_m,staff_m\n0,0,3\n1,0,3\n2,0,3\n3,0,3\n4,0,3\n", "one line"),
        ("u_m,v_m,staff\n0,0,3\n1,0,3\n2,1,3\n3,2,3\n", "staff"),
        ("u_yd,v_m,staff_m\n0,0,3\n1,0,3\n2,1,3\n3,2,3\n", "u_yd"),
        ("u_m,v_m,height_m\n0,0,3\n1,0,3\n0,1,2.5\n1,1,2.5\n", "fall"),
        ("u_m,v_m,height_mm\n0,0,3\n1,0,3\n0,1,3003\n1,1,3003\n", "no slope"),
        ("u_m,v_m,height_m,on\n0,0,3,moss\n1,0,3,pan\n0,1,3.5,pan\n1,1,3.5,pan\n", "moss"),
    ],
)
def test_sheets_that_cannot_be_read(text: str, word: str, tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_text(text)
    with pytest.raises(RowplaneError) as told:
        read(tmp_path / "sheet.csv")
    assert word in str(told.value)
