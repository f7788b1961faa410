"""Truth scenes: seeded invented houses whose roofs are known to the millimetre, their scans, files and a scorer.

    from scenes import make_scene, score_tables
    scene = make_scene("gable", seed=1)          # 600 points/m2, 6 mm white noise, sag up to 35 mm, relief 45 mm
    scene.points, scene.labels                   # (n, 3) float64 metres; face index or a negative code of scenes.labels
    face = scene.faces[0]
    face.substrate_mm(u_m, v_m), face.lsq.pitch_deg, face.tile.gauge_mm, face.edges, face.obstacles

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
    "BARE", "BARREL_TILES", "FLAT", "FLAT_TILES", "NO_TILES", "PERFECT", "SHAPES", "ClutterOptions", "Edge", "Face",
    "FaceScore", "Georef", "LeadText", "LevelSurvey", "LsqPlane", "Obstacle", "ScanOptions", "Scene", "Score",
    "ScoreError", "Size", "Substrate", "SubstrateOptions", "TileOptions", "TilePattern", "Truth", "exact",
    "grid_georef", "lead_toml", "load_truth", "local_georef", "make_plan", "make_scene", "plain_georef", "save_truth",
    "score_faces", "score_tables", "take_level_survey", "write_las", "write_lead", "write_level_csv", "write_ply",
    "write_xyz",
]
