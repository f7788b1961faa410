"""Write sample_scans/: three small leads of one invented village, the same bytes every time.

cd tests && python -m scenes.samples            # writes ../sample_scans
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from scenes.files import grid_georef, local_georef, write_las, write_ply
from scenes.leads import LeadText, write_lead
from scenes.level import LevelSurvey, take_level_survey, write_level_csv
from scenes.relief import TileOptions
from scenes.scan import ScanOptions
from scenes.scene import Scene, make_scene
from scenes.truth import Truth, save_truth

SAMPLES = Path(__file__).parents[2] / "sample_scans"
VILLAGE = "Pantilham"
OPEN_SEA_25832_M = (373_600.0, 6_152_000.0, 14.0)  # a spot in open water: no house can stand there
LATITUDE_DEG = 55.5


@dataclass(frozen=True)
class Sample:
    """One lead: folder, the scene behind it, and what its lead.toml says."""

    folder: str
    scene: Scene
    lead: LeadText


def hip_and_gable() -> Sample:
    """Two long faces and one hipped end, LAZ in a projected CRS."""
    scene = make_scene(
        "hip_and_gable",
        41,
        pitch_deg=32,
        pitch_b_deg=36,
        origin_m=OPEN_SEA_25832_M,
        scan=ScanOptions(density=1000),
        tiles=TileOptions(slipped=0.004, missing=0.002, moss_patches=2),
    )
    note = (
        f"Mill Lane 3, {VILLAGE}: an invented house in an invented village, made by a generator.\n"
        "A drone scan with the usual clutter; coordinates and unit come from the file (EPSG:25832, metres)."
    )
    return Sample(
        "hip_and_gable",
        scene,
        LeadText("Mill Lane 3", "roof.laz", "2025-09-16", note, scene.faces, tables={"site": {"latitude_deg": LATITUDE_DEG}}),
    )


def l_shaped() -> Sample:
    """Two wings with a valley and a hip, PLY (binary, float32) in local metres."""
    scene = make_scene(
        "l_shape",
        17,
        pitch_deg=28,
        pitch_b_deg=30,
        scan=ScanOptions(density=700),
        tiles=TileOptions(kind="barrel", rise_mm=60, moss_patches=1),
    )
    note = (
        f"Pond Corner 8, {VILLAGE}: an invented house in an invented village, made by a generator.\n"
        "Two wings that meet in a valley. PLY has no unit, so it stands here. Nobody was in the loft: no rafters known."
    )
    tables: dict[str, dict[str, object]] = {"ingest": {"unit": "m"}, "site": {"latitude_deg": LATITUDE_DEG}}
    return Sample("l_shaped", scene, LeadText("Pond Corner 8", "roof.ply", "2025-09-17", note, tables=tables))


def level_survey() -> tuple[Sample, LevelSurvey]:
    """The south face of a gable house, read with a level and a staff on tile crowns."""
    scene = make_scene("gable", 29, pitch_deg=35, turn_deg=12)
    survey = take_level_survey(scene, 0, on="crown", seed=29)
    face = survey.truth.faces[0]
    note = (
        f"Chapel Row 1, {VILLAGE}: an invented house in an invented village, made by a generator.\n"
        "No scan: staff readings on tile crowns, down from a level line, places taped from the datum (left verge's tile\n"
        "edge, nose line of the first full course). footprint is the face's outline in the same u, v, metres."
    )
    ingest: dict[str, object] = {"unit": "m", "azimuth_deg": round(face.lsq.azimuth_deg, 1), "footprint": survey.outline_uv_m}
    tiles: dict[str, object] = {"gauge_mm": face.tile.gauge_mm, "cover_width_mm": face.tile.cover_mm}
    lead = LeadText(
        "Chapel Row 1",
        "levels.csv",
        "2025-09-18",
        note,
        (face,),
        tables={"ingest": ingest, "site": {"latitude_deg": LATITUDE_DEG}, "surface": tiles},
    )
    return Sample("level_survey", scene, lead), survey


def write_samples(folder: Path = SAMPLES) -> list[Path]:
    """Write the three leads and their truth files; returns what was written."""
    written = []
    sample = hip_and_gable()
    path = write_lead(sample.lead, folder / sample.folder).with_name(sample.lead.scan)
    georef = write_las(sample.scene, path, georef=grid_georef(sample.scene, 25832), tidy=True)
    save_truth(Truth.of(sample.scene, georef), folder / "truth" / f"{sample.folder}.json")
    written.append(path)
    sample = l_shaped()
    path = write_lead(sample.lead, folder / sample.folder).with_name(sample.lead.scan)
    georef = write_ply(sample.scene, path, georef=local_georef(sample.scene), tidy=True)
    save_truth(Truth.of(sample.scene, georef), folder / "truth" / f"{sample.folder}.json")
    written.append(path)
    sample, survey = level_survey()
    path = write_lead(sample.lead, folder / sample.folder).with_name(sample.lead.scan)
    write_level_csv(survey, path)
    save_truth(survey.truth, folder / "truth" / f"{sample.folder}.json")
    return [*written, path]


if __name__ == "__main__":
    for path in write_samples(Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES):
        print(f"{path}  {path.stat().st_size / 1e6:.2f} MB")
