"""Faces found on truth scenes, and beside general libraries: two tables.

    python -m pytest tests/bench/bench_planes.py -m long -s -k truth
    python -m pytest tests/bench/bench_planes.py -m long -s -k peers        (pip install cgal pyransac3d; ROWPLANE_BENCH_M=3)

truth: shapes × pitch × density × noise × relief, nothing set by hand between scenes; beside each error that of least squares
through the true labels. peers: one scene of 0.3 million points (or ROWPLANE_BENCH_M million), each peer with the settings
that did best for it in a trial on such a scene; angles of the least-squares plane through the method's own labels, which
helps the peers. Times are from points in memory to a label for every point.
"""

from __future__ import annotations

import itertools
import os
import random
import time
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from rowplane import frames
from rowplane.config import PlanesConfig
from rowplane.geometry import fit_plane
from rowplane.planes import fit_planes
from scenes import Face, ScanOptions, Scene, TileOptions, make_scene
from test_2_planes.builders import compare, survey_of

pytestmark = pytest.mark.long
Array = NDArray[np.float64]
Labels = NDArray[np.int64]
SHAPES = ("gable", "hip", "l_shape", "cross_gable", "half_hip")
SEEDS = tuple(range(11, 11 + int(os.environ.get("ROWPLANE_BENCH_SEEDS", "5"))))
ROWS = [  # pitch, points/m², white noise mm, relief mm
    (35, 30, 12, 45), (25, 100, 12, 45), (30, 300, 20, 60), (12, 600, 6, 30), (48, 600, 6, 45),
    (30, 600, 30, 90), (30, 600, 3, 0), (30, 3000, 10, 90), (20, 3000, 3, 45),
]
MISSED = {30: pytest.mark.xfail(reason="mean pitch is 0.001° over 1.1 times that of true labels, which miss 0.05° themselves")}
LEAST_M2 = 4.0


def _angles(points: Array, face: Face) -> tuple[float, float]:
    plane = fit_plane(points)
    frame = frames.face_frame(plane.centroid, plane.normal)
    turn = (frames.azimuth_deg(frame) - face.lsq.azimuth_deg + 180) % 360 - 180
    return abs(frames.pitch_deg(frame) - face.lsq.pitch_deg), abs(turn)


@pytest.mark.parametrize("row", [pytest.param(r, marks=MISSED[r[1]]) if r[1] in MISSED else r for r in ROWS], ids=lambda r: f"{r[0]}° {r[1]}/m2 {r[2]}mm {r[3]}mm")
def test_truth_table(row: tuple[int, int, int, int]) -> None:
    pitch, density, noise, relief = row
    iou, dp, da, op, oa, edge, spent = [], [], [], [], [], [], 0.0
    wanted = extra = 0
    for shape, seed in itertools.product(SHAPES, SEEDS):
        tiles = TileOptions(kind="s" if relief else "flat", rise_mm=relief)
        scan = ScanOptions(density=density, white_mm=noise)
        scene = make_scene(shape, seed=seed, pitch_deg=float(pitch), tiles=tiles, scan=scan)
        survey, start = survey_of(scene.points), time.perf_counter()
        roof = fit_planes(survey, PlanesConfig())
        spent += time.perf_counter() - start
        matches = compare(scene, roof)
        extra += len({f.id for f in roof.faces if f.area_m2 >= LEAST_M2} - {m.face.id for m in matches})
        wanted += sum(f.area_m2 >= LEAST_M2 for f in scene.faces)
        for m in (m for m in matches if m.truth.area_m2 >= LEAST_M2):
            iou.append(m.iou)
            dp.append(abs(m.pitch_error_deg))
            da.append(abs(m.azimuth_error_deg))
            edge += m.edge_errors_mm
            labelled = _angles(survey.points_mm[scene.labels == m.truth.index].astype(float), m.truth)
            op.append(labelled[0])
            oa.append(labelled[1])
    near = max(30.0, 2000.0 / density**0.5)
    print(f"\n{pitch}° {density}/m² noise {noise} relief {relief}: found {len(iou)}/{wanted} extra {extra} | IoU {np.mean(iou):.3f} "
          f"min {min(iou):.3f} | pitch {np.mean(dp):.3f} max {max(dp):.3f} (true labels {np.mean(op):.3f}, {max(op):.3f}) | "
          f"azimuth {np.mean(da):.3f} max {max(da):.3f} ({np.mean(oa):.3f}, {max(oa):.3f}) | edges off by mm {np.median(edge):.0f}, "
          f"{np.mean(np.array(edge) <= near):.0%} within {near:.0f} | {spent / len(SHAPES) / len(SEEDS):.2f} s")
    assert (len(iou), extra) == (wanted, 0)
    assert np.mean(iou) >= (0.93 if density < 100 else 0.97)
    # Under a smooth survey error a small face cannot be known better than its true points tell.
    assert np.mean(dp) <= max(0.05, 1.1 * np.mean(op))
    assert max(dp) <= max(0.1, 2 * max(op))
    assert density < 600 or max(da) <= max(0.2, 2 * max(oa))
    assert np.median(edge) <= near


# ---- peers --------------------------------------------------------------------------------------------------------

def _voxels(points: Array, step_m: float) -> tuple[Array, Labels]:
    """Means per occupied voxel, and the voxel of every point."""
    key = np.floor((points - points.min(axis=0)) / step_m).astype(np.int64)
    flat = (key[:, 0] * 100_003 + key[:, 1]) * 100_003 + key[:, 2]
    _, inverse, count = np.unique(flat, return_inverse=True, return_counts=True)
    mean = np.stack([np.bincount(inverse, points[:, k]) / count for k in range(3)], axis=1)
    return mean, inverse


def own_way(points: Array) -> Labels:
    return fit_planes(survey_of(points), PlanesConfig()).labels.astype(np.int64)


def cgal_ransac(points: Array) -> Labels:
    cgal = pytest.importorskip("CGAL.CGAL_Shape_detection")
    from CGAL.CGAL_Kernel import Point_3
    from CGAL.CGAL_Point_set_3 import Point_set_3
    from CGAL.CGAL_Point_set_processing_3 import pca_estimate_normals

    voxels, inverse = _voxels(points, 0.1)
    cloud = Point_set_3()
    cloud.reserve(len(voxels))
    for p in voxels:
        cloud.insert(Point_3(*map(float, p)))
    cloud.add_normal_map()
    pca_estimate_normals(cloud, 0, 0.5)
    shapes = cloud.add_int_map("shape")
    cgal.efficient_RANSAC(cloud, shapes, min_points=max(len(voxels) // 200, 60), epsilon=0.08, cluster_epsilon=0.35,
                          normal_threshold=0.85, probability=0.01)
    return np.array([shapes.get(i) for i in range(len(voxels))])[inverse]


def _open3d() -> object:
    import ctypes

    libusb = pytest.importorskip("libusb_package")
    ctypes.CDLL(str(libusb.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    return pytest.importorskip("open3d")


def open3d_patches(points: Array) -> Labels:
    o3d = _open3d()
    voxels, inverse = _voxels(points, 0.1)
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(voxels))
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamRadius(0.9))
    labels = np.full(len(voxels), -1)
    for k, box in enumerate(cloud.detect_planar_patches(normal_variance_threshold_deg=45, coplanarity_deg=75,
                                                        outlier_ratio=0.75, min_plane_edge_length=1.5)):
        labels[box.get_point_indices_within_bounding_box(cloud.points)] = k
    return labels[inverse]


def _peel(points: Array, one: Callable[[Array], NDArray[np.bool_]]) -> Labels:
    """Planes one after another until a fiftieth of the points or less fits."""
    labels, left = np.full(len(points), -1), np.arange(len(points))
    for k in range(9):
        inside = one(points[left])
        if inside.sum() < len(points) / 50:
            break
        labels[left[inside]] = k
        left = left[~inside]
    return labels


def open3d_loop(points: Array) -> Labels:
    o3d = _open3d()
    o3d.utility.random.seed(1)

    def one(rest: Array) -> NDArray[np.bool_]:
        cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(rest))
        inside = np.zeros(len(rest), dtype=bool)
        inside[cloud.segment_plane(0.08, 3, 1000)[1]] = True
        return inside

    return _peel(points, one)


def pyransac_loop(points: Array) -> Labels:
    pyransac3d = pytest.importorskip("pyransac3d")
    random.seed(1)

    def one(rest: Array) -> NDArray[np.bool_]:
        inside = np.zeros(len(rest), dtype=bool)
        inside[pyransac3d.Plane().fit(rest, thresh=0.08, maxIteration=500).inliers] = True
        return inside

    return _peel(points, one)


def sklearn_loop(points: Array) -> Labels:
    from sklearn.linear_model import RANSACRegressor

    def one(rest: Array) -> NDArray[np.bool_]:
        model = RANSACRegressor(residual_threshold=0.09, max_trials=400, random_state=1)
        return np.asarray(model.fit(rest[:, :2], rest[:, 2]).inlier_mask_)

    return _peel(points, one)


PEERS = {"rowplane": own_way, "CGAL efficient RANSAC, 100 mm voxels": cgal_ransac, "open3d planar patches": open3d_patches,
         "open3d segment_plane loop": open3d_loop, "pyransac3d loop": pyransac_loop, "sklearn RANSAC loop": sklearn_loop}


def _score(scene: Scene, labels: Labels) -> str:
    ious, dp, da, found = [], [], [], 0
    for face in scene.faces:
        own = scene.labels == face.index
        each = {int(k): float((own & (labels == k)).sum() / (own | (labels == k)).sum()) for k in np.unique(labels[own]) if k >= 0}
        best = max(each, key=lambda k: each[k], default=-1)
        ious.append(each.get(best, 0.0))
        if ious[-1] >= 0.5:
            found += 1
            pitch, azimuth = _angles(scene.points[labels == best], face)
            dp.append(pitch)
            da.append(azimuth)
    angles = f"pitch {np.mean(dp):.3f} max {max(dp):.3f}, azimuth max {max(da):.3f}" if dp else ""
    return f"found {found}/{len(scene.faces)}, IoU {np.mean(ious):.3f}, {angles}"


@pytest.fixture(scope="module")
def bench_scene() -> Scene:
    million = float(os.environ.get("ROWPLANE_BENCH_M", "0.3"))
    return make_scene("hip", seed=7, pitch_deg=30.0, scan=ScanOptions(density=600 * million / 0.15))


@pytest.mark.parametrize("name", PEERS)
def test_peers(name: str, bench_scene: Scene) -> None:
    points = bench_scene.points - np.round(bench_scene.points.mean(axis=0))
    start = time.perf_counter()
    labels = PEERS[name](points)
    spent = time.perf_counter() - start
    print(f"\n{name}: {len(points)} points, {spent:.2f} s, {_score(bench_scene, labels)}")
    if name == "rowplane":
        assert len(set(labels[labels >= 0].tolist())) == len(bench_scene.faces)
