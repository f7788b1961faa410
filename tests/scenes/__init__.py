"""Truth scenes: seeded invented houses whose roofs are known to the millimetre, their scans, files and a scorer.

    from scenes import make_scene, score_tables
    scene = make_scene("gable", seed=1)          # 600 points/m2, 6 mm white noise, sag up to 35 mm, relief 45 mm
    scene.points, scene.labels                   # (n, 3) float64 metres; face index or a negative code of scenes.labels
    face = scene.faces[0]
    face.substrate_mm(u_m, v_m), face.lsq.pitch_deg, face.tile.gauge_mm, face.edges, face.obstacles

Other houses: make_scene(shape, seed, pitch_deg=, pitch_b_deg=, turn_deg=, origin_m=, size=, and the four option groups)
    SubstrateOptions  sag, ridge bow, long waves, rafters (FLAT: none of it)
    TileOptions       profile, rise, course step, gauge and its drift, cover width, skew, seating, slipped, missing, moss, caps
                      (FLAT_TILES, BARREL_TILES, NO_TILES)
    ScanOptions       density and its unevenness, pans half seen, white, fine and smooth errors, outliers (PERFECT: none)
    ClutterOptions    ground, walls, trees, hedge, chimney, vents, roof window, aerial, gutter, neighbour (BARE: none)
Large scans: `for points, labels in scene.blocks()`, a million candidates at a time.

A lead and its score:
    georef = write_las(scene, folder / "roof.laz", epsg=25832)          # or write_ply, write_xyz
    write_lead(LeadText("House 1", "roof.laz", "2025-09-16", "an invented house", scene.faces), folder)
    score_tables(result_folder, Truth.of(scene, georef))                # rms_mm, ratio, coverage, faces, ...
    survey = take_level_survey(scene, 0, on="board"); write_level_csv(survey, path); score_tables(folder, survey.truth)

Units: u, v and world coordinates in metres, every height in millimetres; frames in scenes.faces. What is left out: light and
shadow (points are missed by tile profile and under trees only), tiles that overlap (the surface is single-valued in u, v),
tiles cut at hips, and any closing of the substrate across a ridge or hip.

Independent of the package under test on purpose: nothing here imports rowplane.
"""

from scenes.clutter import BARE, ClutterOptions
from scenes.faces import Edge, Face, LsqPlane, Obstacle
from scenes.files import grid_georef, local_georef, plain_georef, write_las, write_ply, write_xyz
from scenes.leads import LeadText, lead_toml, write_lead
from scenes.level import LevelSurvey, take_level_survey, write_level_csv
from scenes.plan import SHAPES, Size, make_plan
from scenes.relief import BARREL_TILES, FLAT_TILES, NO_TILES, TileOptions, TilePattern
from scenes.scan import PERFECT, ScanOptions
from scenes.scene import Scene, exact, make_scene
from scenes.score import FaceScore, Score, score_faces, score_tables
from scenes.substrate import FLAT, Substrate, SubstrateOptions
from scenes.tables import ScoreError
from scenes.truth import Georef, Truth, load_truth, save_truth

__all__ = [
    "BARE",
    "BARREL_TILES",
    "FLAT",
    "FLAT_TILES",
    "NO_TILES",
    "PERFECT",
    "SHAPES",
    "ClutterOptions",
    "Edge",
    "Face",
    "FaceScore",
    "Georef",
    "LeadText",
    "LevelSurvey",
    "LsqPlane",
    "Obstacle",
    "ScanOptions",
    "Scene",
    "Score",
    "ScoreError",
    "Size",
    "Substrate",
    "SubstrateOptions",
    "TileOptions",
    "TilePattern",
    "Truth",
    "exact",
    "grid_georef",
    "lead_toml",
    "load_truth",
    "local_georef",
    "make_plan",
    "make_scene",
    "plain_georef",
    "save_truth",
    "score_faces",
    "score_tables",
    "take_level_survey",
    "write_las",
    "write_lead",
    "write_level_csv",
    "write_ply",
    "write_xyz",
]
