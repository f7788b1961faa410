"""The written tables, put on the true roof: what the crew would find if they set every foot as the table says.

Reads only the files of the contract. The bars are the project's own: seats at most 3.5 mm RMS off their plane and at most
0.6 of what one constant lift leaves; every face found, pitch within 0.1°, azimuth within 0.2°, area within 3 %.
"""

from pathlib import Path

import pytest

from rowplane.deliverables import write_all
from rowplane.leads import load_lead
from rowplane.roof import survey_to_layout
from scenes import (
    LeadText,
    Score,
    Truth,
    make_scene,
    score_tables,
    take_level_survey,
    write_las,
    write_lead,
    write_level_csv,
    write_ply,
)

SHAPES = ("gable", "hip", "l_shape")


def run_and_score(lead: Path, truth: Truth, out: Path) -> Score:
    write_all(survey_to_layout(load_lead(lead)), out)
    return score_tables(out, truth)


def hold(score: Score) -> None:
    assert score.feet >= 12
    assert score.rms_mm <= 3.5
    assert score.rms_mm <= 0.6 * score.constant_rms_mm
    assert score.position_error_mm <= 1.0
    assert (score.missing_faces, score.extra_faces) == ((), ())
    assert score.worst_pitch_deg <= 0.1
    assert score.worst_azimuth_deg <= 0.2
    assert score.worst_area_percent <= 3.0


def scanned_lead(shape: str, seed: int, folder: Path) -> tuple[Path, Truth]:
    """A house as LAZ on a projected grid; the L-shaped one as PLY in local metres without a CRS."""
    if shape == "l_shape":
        scene, scan = make_scene(shape, seed), "roof.ply"
        georef = write_ply(scene, folder / scan)
    else:
        scene, scan = make_scene(shape, seed, origin_m=(461_700.0, 5_427_300.0, 312.0)), "roof.laz"
        georef = write_las(scene, folder / scan, epsg=25832)
    unit = {"ingest": {"unit": "m"}} if scan == "roof.ply" else {}
    text = LeadText(f"{shape} {seed}", scan, "2026-05-04", "invented", scene.faces, tables=unit)
    return write_lead(text, folder), Truth.of(scene, georef)


def level_lead(on: str, seed: int, folder: Path) -> tuple[Path, Truth]:
    """Some tens of staff readings of one face with a tape outline and the gauge counted by hand."""
    scene = make_scene("monopitch", seed)
    face = scene.faces[0]
    survey = take_level_survey(scene, on=on, seed=seed)
    write_level_csv(survey, folder / "readings.csv")
    tables: dict[str, dict[str, object]] = {
        "ingest": {"azimuth_deg": round(face.lsq.azimuth_deg % 360, 1), "footprint": survey.outline_uv_m},
        "surface": {"gauge_mm": face.tile.gauge_mm, "cover_width_mm": face.tile.cover_mm},
    }
    text = LeadText(f"level {on} {seed}", "readings.csv", "2026-05-04", "invented", scene.faces, tables=tables)
    return write_lead(text, folder), survey.truth


@pytest.mark.parametrize("shape", [pytest.param(s, marks=pytest.mark.long if s == "l_shape" else ()) for s in SHAPES])
def test_scan_tables_on_the_true_roof(shape: str, tmp_path: Path) -> None:
    lead, truth = scanned_lead(shape, 1, tmp_path)
    hold(run_and_score(lead, truth, tmp_path / "out"))


@pytest.mark.long
@pytest.mark.parametrize("seed", range(2, 8))
@pytest.mark.parametrize("shape", SHAPES)
def test_scan_tables_on_more_roofs(shape: str, seed: int, tmp_path: Path) -> None:
    lead, truth = scanned_lead(shape, seed, tmp_path)
    hold(run_and_score(lead, truth, tmp_path / "out"))


@pytest.mark.parametrize("on", ["crown", "board"])
def test_level_tables_on_the_true_roof(on: str, tmp_path: Path) -> None:
    lead, truth = level_lead(on, 1, tmp_path)
    hold(run_and_score(lead, truth, tmp_path / "out"))
