"""The substrate map against its peers and an oracle, over the same scenes: one command, one table.

    python -m pytest tests/bench/bench_surface.py -m long -s

RMS of the substrate on a grid over the face after its best plane, mm. Peers take the tile tops as they are: (a) their mean
in a 0.4 m window, (b) a robust plane in the same window, (c) an areal robust Gaussian regression of the order of ISO 16610-71
(zero order, bisquare, nesting 1 m), (d) scikit-learn's GaussianProcessRegressor on thinned tops. The oracle knows relief and
tile grid exactly and works tile by tile with the covariance that the scene was drawn from.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rowplane.config import SurfaceConfig
from rowplane.surface import map_surface
from scenes import BARE, Face, ScanOptions, Scene, SubstrateOptions, TileOptions, make_scene
from scenes.faces import grid_uv_m
from test_3_surface.builders import roof_of, score, survey_of

Array = NDArray[np.float64]
FAMILIES = {
    "standard": (TileOptions(slipped=0.003, moss_patches=1), SubstrateOptions(), ScanOptions()),
    "no rafter differences": (TileOptions(slipped=0.003, moss_patches=1), SubstrateOptions(rafter_sd_mm=0), ScanOptions()),
    "barrel": (TileOptions(kind="barrel"), SubstrateOptions(), ScanOptions()),
    "flat tiles": (TileOptions(kind="flat", rise_mm=12), SubstrateOptions(), ScanOptions()),
    "sparse, 10 mm noise": (TileOptions(), SubstrateOptions(), ScanOptions(density=100, white_mm=10)),
    "matching noise 3 mm": (TileOptions(), SubstrateOptions(), ScanOptions(fine_mm=3)),
    "neglected": (TileOptions(slipped=0.01, missing=0.02, moss_patches=4), SubstrateOptions(), ScanOptions()),
}
WINDOW_M = 0.4
SEAT_SD_MM = TileOptions().seat_sd_mm


def local_mean(uv: Array, w: Array, at: Array) -> Array:
    return np.array([w[near].mean() if near else np.nan for near in cKDTree(uv).query_ball_point(at, WINDOW_M)])


def local_plane(uv: Array, w: Array, at: Array) -> Array:
    out = np.full(len(at), np.nan)
    for k, near in enumerate(cKDTree(uv).query_ball_point(at, WINDOW_M)):
        if len(near) < 6:
            continue
        a, weight = np.column_stack([np.ones(len(near)), uv[near] - at[k]]), np.ones(len(near))
        for _ in range(5):
            fit = np.linalg.lstsq(a * weight[:, None], w[near] * weight, rcond=None)[0]
            rest = np.abs(w[near] - a @ fit)
            weight = np.sqrt(np.minimum(1, 1.345 * 1.4826 * np.median(rest) / np.maximum(rest, 1e-9)))
        out[k] = fit[0]
    return out


def robust_gaussian(uv: Array, w: Array, at: Array, nesting_m: float = 1.0) -> Array:
    """Weights exp(−π (r / (α λ))²) with α = √(ln 2 / π), bisquare on the residual scale of the filter, three turns."""
    reach = np.sqrt(np.log(2) / np.pi) * nesting_m
    tree = cKDTree(uv)
    robust = np.ones(len(w))

    def line(places: Array) -> Array:
        out = np.full(len(places), np.nan)
        for k, near in enumerate(tree.query_ball_point(places, nesting_m)):
            if near:
                r2 = ((uv[near] - places[k]) ** 2).sum(1)
                weight = np.exp(-np.pi * r2 / reach**2) * robust[near]
                out[k] = (weight * w[near]).sum() / max(weight.sum(), 1e-12)
        return out

    some = np.arange(0, len(w), max(len(w) // 1500, 1))
    for _ in range(3):
        nodes = line(uv[some])
        away = w - nodes[cKDTree(uv[some]).query(uv)[1]]
        limit = 4.4 * np.median(np.abs(away))
        robust = np.clip(1 - (away / limit) ** 2, 0, None) ** 2
    return line(at)


def process_regressor(uv: Array, w: Array, at: Array) -> Array:
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

    keep = np.random.default_rng(0).choice(len(w), min(800, len(w)), replace=False)
    kernel = ConstantKernel(100.0, (1, 1e4)) * RBF(2.0, (0.5, 10)) + WhiteKernel(100.0, (1, 1e4))
    a = np.column_stack([np.ones(len(w)), uv])
    plane = np.linalg.lstsq(a[keep], w[keep], rcond=None)[0]
    process = GaussianProcessRegressor(kernel, random_state=0).fit(uv[keep], w[keep] - a[keep] @ plane)
    return process.predict(at) + np.column_stack([np.ones(len(at)), at]) @ plane


PEERS: dict[str, Callable[[Array, Array, Array], Array]] = {
    "mean 0.4 m": local_mean, "plane 0.4 m": local_plane, "16610 robust": robust_gaussian, "sklearn GPR": process_regressor,
}  # fmt: skip


def oracle(face: Face, scan: ScanOptions, options: SubstrateOptions, uvw: Array, at: Array) -> Array:
    """Posterior mean with the generator's own covariance, from tile means of points less the exact relief."""
    u, v, w = uvw.T
    column, course = np.floor(face.tile.column(u, v)).astype(int), np.floor(face.tile.course(v)).astype(int)
    rest = w - face.tile.height_mm(u, v)
    rough = np.median(rest)
    sound = np.abs(rest - rough) < 150
    tile = (course - course.min()) * (np.ptp(column) + 1) + column - column.min()
    laid = face.laid
    row = np.clip(course - laid.first[0], 0, laid.seat_mm.shape[0] - 1)
    col = np.clip(column - laid.first[1], 0, laid.seat_mm.shape[1] - 1)
    sound &= ~laid.missing[row, col] & (laid.slid[row, col] == 0)
    for patch in laid.moss_uv_m:
        sound &= np.hypot(u - patch[0], v - patch[1]) > laid.moss_width_m / 2
    names, index = np.unique(tile[sound], return_inverse=True)
    n = np.bincount(index).astype(float)
    x, y, z = (np.bincount(index, weights=a[sound]) / n for a in (u, v, rest))
    place = np.column_stack([x, y])
    fine = scan.fine_mm**2 * _share_of_tile(scan.fine_length_m, face)
    own = SEAT_SD_MM**2 + fine + (scan.white_mm * 1.1) ** 2 / n
    cos = face.normal[2]
    plan = place * [1, cos]
    d2 = ((plan[:, None] - plan[None]) ** 2).sum(2)
    data = _drawn(face, options, place, place) + scan.smooth_mm**2 * np.exp(-0.5 * d2 / scan.smooth_length_m**2) + np.diag(own)
    a, b = np.column_stack([np.ones(len(names)), place]), np.column_stack([np.ones(len(at)), at])
    data += a @ np.diag([1e4, 1e2, 1e2]) @ a.T
    cross = _drawn(face, options, at, place) + b @ np.diag([1e4, 1e2, 1e2]) @ a.T
    return cross @ np.linalg.solve(data, z)


def _share_of_tile(length_m: float, face: Face) -> float:
    """Variance of a tile's mean of a field with correlation exp(−d²/2L²), as a share of the field's."""
    s = [np.linspace(0, side / 1000, 15) for side in (face.tile.cover_mm, face.tile.gauge_mm)]
    parts = [np.exp(-0.5 * ((a[:, None] - a[None]) / length_m) ** 2).mean() for a in s]
    return float(parts[0] * parts[1])


def _drawn(face: Face, options: SubstrateOptions, a: Array, b: Array) -> Array:
    """Covariance of the substrate as draw_substrate draws it, the rafters' places known."""
    s = face.substrate
    sag = min(options.sag_mm, 1000 * s.length_m / 120)
    bow = min(options.ridge_bow_mm, 1000 * s.width_m / 300)

    def parts(p: Array) -> tuple[Array, Array]:
        across, up = np.sin(np.pi * np.clip(p[:, 0] / s.width_m, 0, 1)), np.clip(p[:, 1] / s.length_m, 0, 1)
        shape = np.column_stack(
            [0.75 * sag * np.sin(np.pi * up), 0.75 * sag * np.sin(np.pi * up) * across, 0.65 * bow * up * across]
        )
        hats = np.column_stack([np.interp(p[:, 0], s.rafter_u_m, row) for row in np.eye(len(s.rafter_u_m))])
        return shape, hats

    (one, hat_a), (two, hat_b) = parts(a), parts(b)
    total = one @ two.T
    dv = a[:, None, 1] - b[None, :, 1]
    lengths = np.linspace(4, 9, 12)
    slow = np.mean([np.cos(2 * np.pi * dv / x) for x in lengths], axis=0) / 2
    total += options.rafter_sd_mm**2 * (hat_a @ hat_b.T) * (1 + options.rafter_change**2 * slow)
    if options.wave_mm:
        from scipy.special import j0

        d = np.hypot(a[:, None, 0] - b[None, :, 0], dv)
        waves = np.linspace(options.wave_min_m, 2.5 * options.wave_min_m, 12)
        total += options.wave_mm**2 / 8 * np.mean([j0(2 * np.pi * d / x) for x in waves], axis=0)
    return total


def _rms(error: Array, at: Array) -> float:
    seen = np.isfinite(error)
    a = np.column_stack([np.ones(len(at)), at])[seen]
    return float(np.sqrt(np.mean((error[seen] - a @ np.linalg.lstsq(a, error[seen], rcond=None)[0]) ** 2)))


def compare(scene: Scene, substrate: SubstrateOptions, peers: bool) -> list[dict[str, float]]:
    """One row per face: own RMS, oracle, peers, edge and interior, share of errors in the stated band, sigma over RMS."""
    survey, rows = survey_of(scene), []
    for face, surface in zip(scene.faces, map_surface(survey, roof_of(scene, 0.002), SurfaceConfig()).surfaces, strict=True):
        mine = score(scene, surface, face)
        u, v = grid_uv_m(face.polygon.buffer(-0.02), 0.15)
        at = np.column_stack([u, v])
        truth = face.substrate_mm(u, v)
        uvw = np.column_stack(face.to_face(scene.points[scene.labels == face.index]))
        near = mine.distance_m < 0.4
        row = {
            "own": mine.rms, "oracle": _rms(oracle(face, scene.scan, substrate, uvw, at) - truth, at),
            "interior": float(np.sqrt(np.mean(mine.flat[~near] ** 2))), "edge": float(np.sqrt(np.mean(mine.flat[near] ** 2))),
        }  # fmt: skip
        wide = score(scene, surface, face, 0.6)
        a = np.column_stack([np.ones(len(wide.uv)), wide.uv / 1000])
        without = np.eye(len(a)) - a @ np.linalg.pinv(a)
        sd = np.sqrt(np.diag(without @ surface.height.covariance_mm2(wide.uv) @ without.T))
        row |= {"cover": float(np.mean(np.abs(wide.flat) <= 1.96 * sd)), "sigma/rms": float(sd.mean() / mine.rms)}
        if peers:
            few = at[::6]
            row |= {name: _rms(peer(uvw[:, :2], uvw[:, 2], few) - truth[::6], few) for name, peer in PEERS.items()}
        rows.append(row)
    return rows


def table(seeds: range) -> dict[str, dict[str, float]]:
    """Medians over the faces of each family; `worst` is the greatest own / oracle."""
    out = {}
    for name, (tiles, substrate, scan) in FAMILIES.items():
        rows = []
        for k, seed in enumerate(seeds):
            shape = ("gable", "hip", "l_shape")[k % 3]
            scene = make_scene(shape, seed=seed, tiles=tiles, substrate=substrate, scan=scan, clutter=BARE)
            rows += compare(scene, substrate, peers=k == 0)
        medians = {key: float(np.median([r[key] for r in rows if key in r])) for key in rows[0]}
        medians["cover"] = float(np.mean([r["cover"] for r in rows]))
        medians["own/oracle"] = float(np.median([r["own"] / r["oracle"] for r in rows]))
        medians["worst"] = max(r["own"] / r["oracle"] for r in rows)
        out[name] = medians
        print(f"{name:24s}" + "  ".join(f"{key} {value:.2f}" for key, value in medians.items()), flush=True)
    return out


@pytest.mark.long
def test_bench_surface() -> None:
    rows = table(range(200, 206))
    assert np.median([row["own/oracle"] for row in rows.values()]) <= 1.25
    for name, row in rows.items():
        assert row["worst"] <= 1.5, name
        assert row["edge"] <= 1.6 * row["interior"], name
        assert row["sigma/rms"] <= 1.3, name
        assert row["own"] < min(row[peer] for peer in PEERS), name
