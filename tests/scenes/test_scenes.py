"""The truth scenes against what is known without them: analytic planes and means, their own files, broken tables."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from scenes import (
    BARE,
    FLAT,
    PERFECT,
    SHAPES,
    ClutterOptions,
    ScanOptions,
    ScoreError,
    Size,
    SubstrateOptions,
    TileOptions,
    Truth,
    exact,
    labels,
    load_truth,
    local_georef,
    make_plan,
    make_scene,
    save_truth,
    score_tables,
    take_level_survey,
    write_las,
    write_level_csv,
    write_ply,
    write_xyz,
)
from scenes.fields import draw_field
from scenes.ideal import ideal_tables, set_lift

THIN = ScanOptions(density=60)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("pitches", [(10, 14), (30, 30), (50, 44)])
def test_faces_cover_the_outline_exactly_once(shape: str, pitches: tuple[float, float]) -> None:
    plan = make_plan(shape, Size(12, 8, *pitches, 6, 5, 3))
    polygons = [f.polygon for f in plan.faces]
    assert sum(p.area for p in polygons) == pytest.approx(plan.outline.area, abs=1e-4)
    assert shapely.unary_union(polygons).symmetric_difference(plan.outline).area < 1e-4
    for k, face in enumerate(plan.faces):
        length = sum(np.hypot(*np.subtract(e.b, e.a)) for e in face.edges)
        assert length == pytest.approx(face.polygon.length, abs=1e-4)
        for edge in face.edges:
            assert (edge.neighbour is None) == (edge.kind in ("eave", "verge") or shape == "monopitch")
            if edge.neighbour is not None:
                assert k in [e.neighbour for e in plan.faces[edge.neighbour].edges]
                mid = np.add(edge.a, edge.b) / 2
                assert face.plane.z(mid) == pytest.approx(plan.faces[edge.neighbour].plane.z(mid), abs=1e-4)


@pytest.mark.parametrize(
    ("shape", "kinds"),
    [
        ("gable", "eave ridge verge"),
        ("hip", "eave hip ridge"),
        ("l_shape", "eave hip ridge valley verge"),
        ("cross_gable", "eave ridge valley verge"),
        ("half_hip", "eave hip ridge verge"),
        ("hip_and_gable", "eave hip ridge verge"),
        ("monopitch", "eave ridge verge"),
    ],
)
def test_edges_have_the_names_of_the_trade(shape: str, kinds: str) -> None:
    plan = make_plan(shape, Size(12, 8, 30, 33, 6, 5, 3))
    assert " ".join(sorted({e.kind for f in plan.faces for e in f.edges})) == kinds


def test_frame_runs_left_to_right_for_someone_on_the_ground() -> None:
    south = make_scene("gable", turn_deg=0, pitch_deg=30, scan=THIN).faces[0]
    assert south.e_u == pytest.approx([1, 0, 0])  # who faces north has east to the right
    assert south.e_v == pytest.approx([0, np.cos(np.pi / 6), 0.5])
    assert south.normal == pytest.approx([0, -0.5, np.cos(np.pi / 6)])


@pytest.mark.parametrize("shape", SHAPES)
def test_least_squares_plane_of_a_flat_substrate_is_the_nominal_plane(shape: str) -> None:
    scene = make_scene(shape, 5, pitch_deg=31, pitch_b_deg=31, turn_deg=0, substrate=FLAT, scan=THIN)
    expected = {"south": 180, "north": 0, "east": 90, "west": 270, "wing east": 90, "wing west": 270}
    for face in scene.faces:
        assert face.lsq.pitch_deg == pytest.approx(31, abs=1e-6)
        assert (face.lsq.azimuth_deg - expected[face.name] + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)
        assert face.area_m2 == pytest.approx(scene.plan.faces[face.index].polygon.area / np.cos(np.radians(31)), rel=1e-6)


def test_rafters_run_from_the_left_end_of_the_eave() -> None:
    for face in make_scene("l_shape", 5, scan=THIN).faces:
        eave = min(p[0] for e in face.edges if e.kind == "eave" for p in (e.a_uv_m, e.b_uv_m))
        assert face.rafters_mm / 1000 + eave == pytest.approx(face.substrate.rafter_u_m)
    assert any(f.datum_u_m > 1 for f in make_scene("l_shape", 5, scan=THIN).faces)  # beside the valley


def test_azimuth_turns_against_the_angle_about_z() -> None:
    face = make_scene("gable", 5, turn_deg=25, substrate=FLAT, scan=THIN).faces[0]
    assert face.lsq.azimuth_deg == pytest.approx(180 - 25)


def test_least_squares_plane_of_a_bowed_ridge_against_the_integral() -> None:
    # S = -B (v/V) sin(pi u/U) over a rectangle: by symmetry no tilt along u; the slope along v is that of the mean -2/pi B v/V
    options = replace(FLAT, ridge_bow_mm=12)
    face = make_scene("gable", 2, substrate=options, scan=THIN).faces[0]
    expected = -2 / np.pi * face.substrate.ridge_bow_mm / face.extent_m[1]
    assert face.lsq.tilt_v_mm_per_m == pytest.approx(expected, rel=2e-3)
    assert face.lsq.tilt_u_mm_per_m == pytest.approx(0, abs=1e-3)


def test_substrate_has_the_stated_spread() -> None:
    rafters, sags = [], []
    for seed in range(30):
        for face in make_scene("gable", seed, scan=THIN).faces:
            rafters.append(face.substrate.rafter_mm)
            sags.append(face.substrate.sag_mm)
    assert np.std(np.concatenate(rafters)) == pytest.approx(2.5, rel=0.1)
    assert 15 < np.mean(sags) <= np.max(sags) <= 35
    face = make_scene("gable", 1, substrate=replace(FLAT, rafter_sd_mm=3), scan=THIN).faces[0]
    left, right = face.rafters_mm[2:4] / 1000 + face.datum_u_m
    ends = face.substrate_mm(np.array([left, right]), np.array([2.0, 2.0]))
    middle = face.substrate_mm(np.array((left + right) / 2), np.array(2.0))
    assert middle == pytest.approx(ends.mean())  # battens span straight


@pytest.mark.parametrize("kind", ["s", "barrel", "flat"])
def test_relief_repeats_has_its_rise_and_its_mean(kind: str) -> None:
    tiles = TileOptions(kind=kind, rise_mm=50 if kind != "flat" else 4, step_mm=12, seat_sd_mm=0, skew_mm_per_m=6)
    tile = make_scene("gable", 3, tiles=tiles, scan=THIN).faces[0].tile
    rng = np.random.default_rng(0)
    u, v = rng.uniform(0, 6, 200_000), rng.uniform(0, 4, 200_000)
    height = tile.height_mm(u, v)
    lean = tile.skew_mm_per_m / 1000 * tile.gauge_mm / 1000
    again = tile.height_mm(u + 3 * tile.cover_mm / 1000 + 2 * lean, v + 2 * tile.gauge_mm / 1000)
    assert np.mean(np.abs(again - height) < 1e-6) > 0.9999  # all but points that fall across an edge by rounding
    assert height.max() - height.min() == pytest.approx(tile.rise_mm + tile.step_mm, abs=0.2)
    assert height.mean() == pytest.approx(tile.mean_mm, abs=0.2)
    nose = float(tile.nose_v_m(np.array(4)))
    drop = tile.height_mm(np.array([1.0]), np.array([nose + 1e-6])) - tile.height_mm(np.array([1.0]), np.array([nose - 1e-6]))
    assert drop == pytest.approx(12, abs=0.05)  # the nose stands over the course below it


def test_drifting_gauge_and_its_noses_agree() -> None:
    tile = make_scene("gable", 3, tiles=TileOptions(gauge_drift=0.02), scan=THIN).faces[0].tile
    courses = np.arange(12.0)
    noses = tile.nose_v_m(courses)
    assert tile.course(noses) == pytest.approx(courses, abs=1e-9)
    assert (np.diff(noses, 2) < 0).all()


def test_pan_is_lowest_and_crown_highest_where_truth_says() -> None:
    tile = make_scene("gable", 3, scan=THIN).faces[0].tile
    u = np.linspace(0, tile.cover_mm / 1000, 2001, endpoint=False) + tile.u0_m
    height = tile.height_mm(u, np.full(2001, 0.1))
    assert u[height.argmin()] == pytest.approx(tile.pan_u_m(np.array(0), np.array(0.1)), abs=0.002)
    assert u[height.argmax()] == pytest.approx(tile.crown_u_m(np.array(0), np.array(0.1)), abs=0.002)


def test_exact_scan_lies_on_the_surface() -> None:
    scene = make_scene("l_shape", 4, scan=exact(THIN))
    for face in scene.faces:
        points = scene.points[scene.labels == face.index]
        u, v, w = face.to_face(points)
        assert len(points) > 500
        assert np.abs(w - face.surface_mm(u, v)).max() < 1e-5
        assert face.inside(u, v).all()


def test_noise_has_its_size_and_the_crowns_are_seen_better() -> None:
    options = replace(PERFECT, density=3000, white_mm=6, pan_loss=0.6)
    scene = make_scene("monopitch", 4, scan=options, clutter=BARE, tiles=TileOptions(seat_sd_mm=2))
    face = scene.faces[0]
    u, v, w = face.to_face(scene.points[scene.labels == 0])
    smooth = face.edge_distance_m(("eave", "verge", "ridge"), u, v) > 0.3
    bottom = np.mod(face.tile.column(u, v), 1) < 0.3
    assert len(u) / face.area_m2 == pytest.approx(3000 * (1 - 0.12 * face.extent_m[0] / face.area_m2), rel=0.02)
    flat_spot = smooth & (np.abs(np.mod(face.tile.column(u, v), 1) - 0.23) < 0.06)
    assert np.std((w - face.surface_mm(u, v))[flat_spot]) == pytest.approx(6, rel=0.1)
    assert bottom.mean() < 0.3 * 0.75  # pans take 30 % of the width, but fewer points


def test_smooth_error_has_its_size_and_length() -> None:
    field = draw_field(np.zeros(2), np.full(2, 60.0), 1.0, 4.0, np.random.default_rng(3))
    rng = np.random.default_rng(4)
    a = rng.uniform(2, 58, (20_000, 2))
    turn = rng.uniform(0, 2 * np.pi, 20_000)
    b = a + np.column_stack([np.cos(turn), np.sin(turn)])
    assert field.at(a).std() == pytest.approx(4, rel=0.1)
    assert np.corrcoef(field.at(a), field.at(b))[0, 1] == pytest.approx(np.exp(-0.5), abs=0.06)


def test_same_seed_same_points_and_other_seed_other_points() -> None:
    a, b, c = (make_scene("hip", seed, scan=THIN) for seed in (7, 7, 8))
    assert np.array_equal(a.points, b.points)
    assert np.array_equal(a.labels, b.labels)
    assert a.points.shape != c.points.shape or not np.array_equal(a.points, c.points)


def test_clutter_is_there_and_can_be_left_out() -> None:
    full = make_scene("gable", 9, scan=replace(THIN, density=200), clutter=ClutterOptions(roof_window=True, neighbour=True))
    present = set(np.unique(full.labels).tolist())
    wanted = {
        labels.GROUND,
        labels.WALL,
        labels.TREE,
        labels.HEDGE,
        labels.CHIMNEY,
        labels.VENT,
        labels.WINDOW,
        labels.AERIAL,
        labels.NEIGHBOUR,
        labels.GUTTER,
        labels.CAP,
        labels.OUTLIER,
    }
    assert wanted <= present
    assert any(t.hides(full.points[full.labels >= 0]).any() for t in full.trees)
    bare = make_scene("gable", 9, scan=exact(THIN), clutter=BARE, tiles=TileOptions(caps=False))
    assert set(np.unique(bare.labels).tolist()) == {0, 1}
    chimneys = [(f, o) for f in full.faces for o in f.obstacles if o.kind == "chimney"]
    face, chimney = chimneys[0]
    u, v, _ = face.to_face(full.points[full.labels == face.index])
    inner = chimney.polygon.buffer(-0.05)
    assert not shapely.contains_xy(inner, u, v).any()


def test_missing_and_slipped_tiles_have_their_share() -> None:
    tiles = TileOptions(missing=0.02, slipped=0.02, seat_sd_mm=0)
    laid = [f.laid for s in range(6) for f in make_scene("gable", s, tiles=tiles, scan=THIN).faces]
    assert np.mean(np.concatenate([one.missing.ravel() for one in laid])) == pytest.approx(0.02, abs=0.004)
    assert np.mean(np.concatenate([one.slid.ravel() > 0 for one in laid])) == pytest.approx(0.02, abs=0.004)


def test_large_offsets_do_not_change_the_house() -> None:
    near = make_scene("hip", 6, origin_m=(0, 0, 0), scan=exact(THIN))
    far = make_scene("hip", 6, origin_m=(512_340, 5_403_210, 300), scan=exact(THIN))
    for a, b in zip(near.faces, far.faces, strict=True):
        assert a.lsq.pitch_deg == pytest.approx(b.lsq.pitch_deg, abs=1e-9)
        assert b.origin_m - a.origin_m == pytest.approx([512_340, 5_403_210, 300], abs=1e-6)


@pytest.mark.parametrize(("epsg", "unit", "metre"), [(25832, "m", 1.0), (2285, "us-ft", 3937 / 1200), (2994, "ft", 1 / 0.3048)])
def test_laz_round_trip_in_a_projected_crs(tmp_path: Path, epsg: int, unit: str, metre: float) -> None:
    import laspy

    origin = (373_600, 6_152_000, 14) if epsg == 25832 else (400_000, 150_000, 14)
    scene = make_scene("gable", 2, origin_m=origin, scan=THIN)
    georef = write_las(scene, tmp_path / "a.laz", epsg=epsg)
    las = laspy.read(tmp_path / "a.laz")
    xyz = np.column_stack([las.x, las.y, las.z])
    assert georef.unit == unit
    assert las.header.parse_crs().to_epsg() == epsg
    assert np.abs(georef.to_world(xyz) - scene.points).max() < 0.0006
    on_grid = np.ptp(xyz[:, 0]) / np.ptp(scene.points[:, 0])
    assert on_grid == pytest.approx(georef.k * metre, rel=1e-4)
    assert georef.k != 1.0


def test_ply_and_xyz_round_trip(tmp_path: Path) -> None:
    scene = make_scene("gable", 2, scan=THIN)
    georef = write_ply(scene, tmp_path / "a.ply", georef=local_georef(scene, "ft"))
    raw = (tmp_path / "a.ply").read_bytes()
    body = raw[raw.index(b"end_header\n") + 11 :]
    read = np.frombuffer(body, "<f4").reshape(-1, 3)
    assert np.abs(georef.to_world(read.astype(float)) - scene.points).max() < 1e-5
    georef = write_xyz(scene, tmp_path / "a.xyz")
    assert np.abs(np.loadtxt(tmp_path / "a.xyz") - scene.points).max() < 6e-5
    again = tmp_path / "b.ply"
    write_ply(make_scene("gable", 2, scan=THIN), again, georef=local_georef(scene, "ft"))
    assert again.read_bytes() == raw


@pytest.mark.parametrize("on", ["crown", "board"])
def test_level_survey_gives_the_substrate_back(tmp_path: Path, on: str) -> None:
    scene = make_scene("gable", 12, scan=THIN)
    survey = take_level_survey(scene, 0, on=on, reading_sd_mm=1.0)
    face = survey.truth.faces[0]
    u, v, h = np.array([(r.u_m, r.v_m, r.height_m) for r in survey.readings]).T
    w = (h - v * face.e_v[2]) * 1000 / face.normal[2]
    off = w - face.substrate_mm(u, v)
    expected = np.hypot(1.0 / face.normal[2], 2.0 if on == "crown" else np.sqrt(2))
    assert 40 <= len(survey.readings) <= 110
    assert np.std(off) == pytest.approx(expected, rel=0.25)
    write_level_csv(survey, tmp_path / "level.csv", unit="mm")
    read = np.genfromtxt(tmp_path / "level.csv", delimiter=",", names=True, dtype=None, encoding="utf-8")
    assert read.dtype.names == ("point", "course", "on", "u_mm", "v_mm", "staff_mm")
    assert np.ptp(read["staff_mm"] / 1000 + h) == pytest.approx(0, abs=2e-4)


def test_truth_file_round_trip(tmp_path: Path) -> None:
    truth = Truth.of(make_scene("cross_gable", 2, scan=THIN))
    save_truth(truth, tmp_path / "t.json")
    read = load_truth(tmp_path / "t.json")
    for a, b in zip(truth.faces, read.faces, strict=True):
        assert a.lsq == b.lsq
        assert a.edges == b.edges
        assert np.array_equal(a.surface_mm(np.full(3, 2.0), np.arange(3.0)), b.surface_mm(np.full(3, 2.0), np.arange(3.0)))


# ---- the scorer checks itself -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def truth() -> Truth:
    scene = make_scene("hip_and_gable", 3, scan=THIN)
    return Truth.of(scene, local_georef(scene, "us-ft"))


def test_a_perfect_table_scores_zero(truth: Truth, tmp_path: Path) -> None:
    score = score_tables(ideal_tables(truth).write(tmp_path), truth)
    assert score.feet > 50
    assert score.max_mm < 0.01
    assert score.constant_rms_mm > 2
    assert score.coverage == 1
    assert score.position_error_mm < 0.01 + 100 * np.radians(1)  # supports stand 110 mm over a plane tilted by under 1 deg
    assert not score.missing_faces
    assert not score.extra_faces
    assert max(score.worst_pitch_deg, score.worst_azimuth_deg, score.worst_area_percent) < 1e-9


def test_one_constant_lift_has_ratio_one(truth: Truth, tmp_path: Path) -> None:
    score = score_tables(ideal_tables(truth, constant=True).write(tmp_path), truth)
    assert score.ratio == pytest.approx(1)


def test_known_errors_come_out_as_they_went_in(truth: Truth, tmp_path: Path) -> None:
    tables = ideal_tables(truth)
    noise = np.random.default_rng(1).normal(0, 1, len(tables.feet))
    for row, e in zip(tables.feet, noise, strict=True):
        set_lift(row, row["lift_mm"] + e)
    score = score_tables(tables.write(tmp_path), truth)
    assert score.rms_mm == pytest.approx(np.std(noise), rel=0.1)
    assert 0.9 <= score.coverage <= 1
    scattered = score_tables(tmp_path, truth, hook_scatter_mm=1.5, seed=1)
    assert scattered.rms_mm > score.rms_mm
    assert scattered.rms_mm == score_tables(tmp_path, truth, hook_scatter_mm=1.5, seed=1).rms_mm


def test_hook_packers_lift_the_rail(truth: Truth, tmp_path: Path) -> None:
    tables = ideal_tables(truth)
    tables.hooks[1] |= {"packer_mm": 6, "seat_height_mm": tables.hooks[1]["seat_height_mm"] + 6}
    tables.write(tmp_path)
    with pytest.raises(ScoreError, match="rail_height_mm"):
        score_tables(tmp_path, truth)
    assert score_tables(tmp_path, truth, check_rail=False).max_mm > 2


def test_level_survey_is_scored_from_u_and_v(tmp_path: Path) -> None:
    truth = take_level_survey(make_scene("gable", 12, scan=THIN), 0).truth
    tables = ideal_tables(truth)
    for row in tables.feet + tables.hooks:
        row["x"] = row["y"] = row["z"] = ""
    assert score_tables(tables.write(tmp_path), truth).max_mm < 0.01


SPOILS = {
    "rail with one hook": lambda t: t.hooks.__delitem__(slice(1, len([h for h in t.hooks if h["rail"] == t.hooks[0]["rail"]]))),
    "unknown rail": lambda t: t.feet[0].update(rail="R99"),
    "not a number": lambda t: t.feet[3].update(lift_mm="n/a"),
    "infinite": lambda t: t.feet[3].update(sigma_mm="inf"),
    "empty": lambda t: t.feet[3].update(lift_mm=""),
    "off the roof": lambda t: t.feet[2].update(x=t.feet[2]["x"] + 60),
    "metres as feet": lambda t: [r.update(x=r["x"] * 0.3048) for r in t.feet + t.hooks],
    "double foot": lambda t: t.feet[1].update(foot=t.feet[0]["foot"]),
    "double rail": lambda t: t.rails.append(dict(t.rails[0])),
    "no feet": lambda t: t.feet.clear(),
    "odd turns": lambda t: t.feet[0].update(turns=1.3),
    "wrong sign": lambda t: t.feet[0].update(adjustment_mm=-t.feet[0]["adjustment_mm"] - 3),
    "lift without turns": lambda t: t.feet[4].update({k: t.feet[4][k] + 1 for k in ("lift_mm", "adjustment_mm")}),
    "unknown face": lambda t: t.hooks[0].update(face="F77"),
    "wrong face": lambda t: t.hooks[0].update(face="F1"),
    "bent curve": lambda t: t.feet[5].update(rail_height_mm=t.feet[5]["rail_height_mm"] + 0.5),
    "no sigma": lambda t: t.feet[5].update(sigma_mm=0),
}


@pytest.mark.parametrize("spoil", SPOILS)
def test_broken_tables_are_refused(spoil: str, truth: Truth, tmp_path: Path) -> None:
    tables = ideal_tables(truth)
    SPOILS[spoil](tables)
    with pytest.raises(ScoreError):
        score_tables(tables.write(tmp_path), truth)


def test_missing_tables_and_columns_are_refused(truth: Truth, tmp_path: Path) -> None:
    ideal_tables(truth).write(tmp_path)
    text = (tmp_path / "feet.csv").read_text()
    (tmp_path / "feet.csv").write_text(text.replace("sigma_mm", "sigma"))
    with pytest.raises(ScoreError, match="sigma_mm"):
        score_tables(tmp_path, truth)
    (tmp_path / "feet.csv").unlink()
    with pytest.raises(ScoreError, match="missing in"):
        score_tables(tmp_path, truth)


def test_lost_and_invented_faces_are_named(truth: Truth, tmp_path: Path) -> None:
    tables = ideal_tables(truth)
    tables.faces.append({"face": "F9", "pitch_deg": 5, "azimuth_deg": 77, "area_m2": 3})
    assert score_tables(tables.write(tmp_path), truth).extra_faces == ("F9",)


def test_sag_tilts_the_least_squares_plane_and_truth_says_so() -> None:
    face = make_scene("gable", 1, substrate=SubstrateOptions(), scan=THIN).faces[0]
    assert abs(face.lsq.pitch_deg - face.nominal_pitch_deg) > 0.005
