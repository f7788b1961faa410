"""Apply a written foot table to the true roof and see where the module seats end.

Reads only the tables of the contract: faces.csv, hooks.csv, rails.csv, modules.csv, feet.csv. True seats at the written
hooks (substrate + packer, optionally hook scatter), a natural cubic spline over the hooks of each rail (the curve of a beam
of constant stiffness on stiff hooks, straight beyond the outer ones), + lift + packer at each foot, against the best plane
of each array. Heights are along the true face's normal over its nominal plane; the table's own plane differs from it by
a tilt of some mm per metre, whose cosine is 1. Constants (build-up, tile height) drop out with the best plane.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import linear_sum_assignment

from scenes.scene import Scene
from scenes.tables import Row, ScoreError, check_feet, number, numbers, read_table
from scenes.truth import Truth

Array = NDArray[np.float64]
OUTLINE_MARGIN_M = 0.12  # a support may lie this far outside the true outline before it is off the roof
REACH_MM = 700.0  # greatest distance from the nominal plane
BEYOND_MM = 5.0
SAME_CURVE_MM = 0.2


@dataclass(frozen=True)
class FaceScore:
    """A row of faces.csv against the true face it was matched with."""

    face: str
    truth: int
    pitch_error_deg: float
    azimuth_error_deg: float
    area_error_percent: float


@dataclass(frozen=True)
class Score:
    """How a table does on the true roof; millimetres unless named otherwise. Residuals are in the order of feet.csv."""

    feet: int
    rms_mm: float
    max_mm: float
    constant_rms_mm: float  # what one constant lift, without packers, would leave
    beyond_5mm: float  # share of seats further than 5 mm off their array's plane
    coverage: float  # share of seats within 1.96 sigma_mm
    sigma_mean_mm: float
    position_error_mm: float  # greatest misfit of u_mm, v_mm against x, y, z after a shift and turn per face
    faces: tuple[FaceScore, ...]
    missing_faces: tuple[int, ...]  # true faces without a row
    extra_faces: tuple[str, ...]  # rows without a true face
    array_rms_mm: dict[str, float]
    residual_mm: dict[str, float] = field(repr=False)

    @property
    def ratio(self) -> float:
        """RMS of the table over the RMS of one constant lift."""
        return self.rms_mm / self.constant_rms_mm if self.constant_rms_mm > 0 else np.inf

    @property
    def worst_pitch_deg(self) -> float:
        return max((abs(f.pitch_error_deg) for f in self.faces), default=np.nan)

    @property
    def worst_azimuth_deg(self) -> float:
        return max((abs(f.azimuth_error_deg) for f in self.faces), default=np.nan)

    @property
    def worst_area_percent(self) -> float:
        return max((abs(f.area_error_percent) for f in self.faces), default=np.nan)


@dataclass(frozen=True)
class _Places:
    """Where the rows of a table are on the true roof."""

    face: NDArray[np.int64]
    u_m: Array
    v_m: Array


def natural_curve(v_m: Array, height_mm: Array, at_m: Array) -> Array:
    """Height of a stiff-hooked rail at `at_m`: natural cubic spline, straight on beyond the outer hooks."""
    order = np.argsort(v_m)
    v, h = v_m[order], height_mm[order]
    if len(v) == 2:
        return h[0] + (at_m - v[0]) * (h[1] - h[0]) / (v[1] - v[0])
    curve = CubicSpline(v, h, bc_type="natural")
    inner = np.clip(at_m, v[0], v[-1])
    return curve(inner) + (at_m - inner) * curve(inner, 1)


def _places(rows: list[Row], what: str, truth: Truth) -> _Places:
    """Locate rows on the true faces; raises when one is off the roof."""
    if truth.frame == "uv":
        face = truth.faces[0]
        u, v = numbers(rows, "u_mm") / 1000 + face.datum_u_m, numbers(rows, "v_mm") / 1000
        found = np.where(face.inside(u, v, OUTLINE_MARGIN_M), 0, -1)
    else:
        xyz = truth.georef.to_world(np.column_stack([numbers(rows, c) for c in "xyz"]))
        best, found = np.full(len(rows), REACH_MM), np.full(len(rows), -1)
        u, v = np.zeros(len(rows)), np.zeros(len(rows))
        for k, face in enumerate(truth.faces):
            fu, fv, fw = face.to_face(xyz)
            here = face.inside(fu, fv, OUTLINE_MARGIN_M) & (np.abs(fw) < best)
            best[here], found[here], u[here], v[here] = np.abs(fw)[here], k, fu[here], fv[here]
    if (found < 0).any():
        lost = [rows[k][what] for k in np.flatnonzero(found < 0)]
        raise ScoreError(f"{what}s off the roof: {', '.join(lost[:8])} ({len(lost)} of {len(rows)})")
    return _Places(found, u, v)


def _by_rail(rows: list[Row]) -> dict[str, NDArray[np.int64]]:
    groups: dict[str, list[int]] = defaultdict(list)
    for k, row in enumerate(rows):
        groups[row["rail"]].append(k)
    return {rail: np.array(ks) for rail, ks in groups.items()}


def _rail_heights(hooks: _Places, feet: _Places, seat_mm: Array, hook_rows: list[Row], foot_rows: list[Row]) -> Array:
    """True height of the rail at each foot, from true seats at the hooks."""
    of_hooks = _by_rail(hook_rows)
    height = np.full(len(foot_rows), np.nan)
    for rail, ks in _by_rail(foot_rows).items():
        hs = of_hooks.get(rail, np.array([], dtype=int))
        if len(hs) < 2:
            raise ScoreError(f"rail {rail}: {len(hs)} hooks, at least 2 are needed to score its {len(ks)} feet")
        if len(set(hooks.face[hs]) | set(feet.face[ks])) > 1:
            raise ScoreError(f"rail {rail}: its hooks and feet lie on several faces of the true roof")
        if np.min(np.diff(np.sort(hooks.v_m[hs]))) < 1e-3:
            raise ScoreError(f"rail {rail}: two hooks at one place")
        height[ks] = natural_curve(hooks.v_m[hs], seat_mm[hs], feet.v_m[ks])
    return height


def _off_plane(u: Array, v: Array, height_mm: Array) -> Array:
    """Residuals from the best-fit plane."""
    a = np.column_stack([np.ones(len(u)), u - u.mean(), v - v.mean()])
    return height_mm - a @ np.linalg.lstsq(a, height_mm, rcond=None)[0]


def _check_curve(hook_rows: list[Row], foot_rows: list[Row]) -> None:
    """rail_height_mm must be the natural spline through the written seats."""
    of_hooks = _by_rail(hook_rows)
    for rail, ks in _by_rail(foot_rows).items():
        hs = [hook_rows[k] for k in of_hooks[rail]]
        fs = [foot_rows[k] for k in ks]
        curve = natural_curve(numbers(hs, "v_mm"), numbers(hs, "seat_height_mm"), numbers(fs, "v_mm"))
        off = np.abs(numbers(fs, "rail_height_mm") - curve)
        if off.max() > SAME_CURVE_MM:
            worst = fs[int(off.argmax())]["foot"]
            raise ScoreError(f"foot {worst}: rail_height_mm is {off.max():.2f} mm off the curve through the rail's seats")


def _position_error_mm(rows: list[Row], places: _Places) -> float:
    """Greatest misfit between the table's u, v and the true ones, after a shift and a turn for each face."""
    table = np.column_stack([numbers(rows, "u_mm"), numbers(rows, "v_mm")])
    true = np.column_stack([places.u_m, places.v_m]) * 1000
    worst = 0.0
    for k in set(places.face.tolist()):
        a, b = table[places.face == k], true[places.face == k]
        a, b = a - a.mean(0), b - b.mean(0)
        left, _, right = np.linalg.svd(a.T @ b)
        flip = np.diag([1.0, np.sign(np.linalg.det(left @ right))])
        worst = max(worst, float(np.hypot(*(a @ left @ flip @ right - b).T).max()))
    return worst


def _turn_deg(a: float, b: float) -> float:
    return (a - b + 180) % 360 - 180


def _compare(row: Row, k: int, truth: Truth) -> FaceScore:
    face = truth.faces[k]
    return FaceScore(
        row["face"],
        face.index,
        number(row, "pitch_deg") - face.lsq.pitch_deg,
        _turn_deg(number(row, "azimuth_deg"), face.lsq.azimuth_deg),
        100 * (number(row, "area_m2") / face.area_m2 - 1),
    )


def score_faces(rows: list[Row], truth: Truth, known: dict[str, int] | None = None) -> tuple[FaceScore, ...]:
    """Match the rows of faces.csv with true faces: by known places first, then by likeness of pitch, azimuth and area."""
    known = known or {}
    pairs = [(row, known[row["face"]]) for row in rows if row["face"] in known]
    rest = [row for row in rows if row["face"] not in known]
    free = [k for k, f in enumerate(truth.faces) if k not in known.values() and f in truth.listed]
    if rest and free:
        scores = [[_compare(row, k, truth) for k in free] for row in rest]
        cost = np.array(
            [
                [abs(s.pitch_error_deg) + abs(s.azimuth_error_deg) / 2 + abs(s.area_error_percent) / 10 for s in line]
                for line in scores
            ]
        )
        pairs += [(rest[i], free[j]) for i, j in zip(*linear_sum_assignment(cost), strict=True) if cost[i, j] < 15]
    return tuple(_compare(row, k, truth) for row, k in pairs)


def _known_faces(rows: list[Row], places: _Places) -> dict[str, int]:
    """True face of each face id that carries supports; raises when two share one or one spreads over two."""
    known: dict[str, int] = {}
    for row, k in zip(rows, places.face.tolist(), strict=True):
        if known.setdefault(row["face"], k) != k:
            raise ScoreError(f"face {row['face']}: its supports lie on several faces of the true roof")
    return known


def score_tables(
    result_dir: Path | str, truth: Truth | Scene, *, hook_scatter_mm: float = 0.0, seed: int = 0, check_rail: bool = True
) -> Score:
    """Score the tables of one result folder. hook_scatter_mm adds a seeded scatter to the true seats of the hooks.

    check_rail: also hold rail_height_mm against the natural spline through the written seats (switch off for a result
    with springy hooks). Raises ScoreError on anything that cannot be scored: a missing table or column, a value that is
    not a number, double ids, an unknown rail, a rail with fewer than two hooks, a support off the roof, no feet at all.
    """
    truth = Truth.of(truth) if isinstance(truth, Scene) else truth
    folder = Path(result_dir)
    face_rows, rails, _ = (read_table(folder, name) for name in ("faces", "rails", "modules"))
    hook_rows, foot_rows = read_table(folder, "hooks"), read_table(folder, "feet")
    check_feet(foot_rows, hook_rows, {r["rail"] for r in rails}, {r["face"] for r in face_rows})
    hooks, feet = _places(hook_rows, "hook", truth), _places(foot_rows, "foot", truth)
    known = _known_faces(
        hook_rows + foot_rows, _Places(np.r_[hooks.face, feet.face], np.r_[hooks.u_m, feet.u_m], np.r_[hooks.v_m, feet.v_m])
    )
    bare = np.zeros(len(hook_rows))
    for k in set(hooks.face.tolist()):
        here = hooks.face == k
        bare[here] = truth.faces[k].substrate_mm(hooks.u_m[here], hooks.v_m[here])
    bare += np.random.default_rng(seed).normal(0, 1, len(bare)) * hook_scatter_mm
    rail = _rail_heights(hooks, feet, bare + numbers(hook_rows, "packer_mm"), hook_rows, foot_rows)
    plain = _rail_heights(hooks, feet, bare, hook_rows, foot_rows)
    if check_rail:
        _check_curve(hook_rows, foot_rows)
    seat = rail + numbers(foot_rows, "lift_mm") + numbers(foot_rows, "packer_mm")
    return _summary(foot_rows, hook_rows, face_rows, truth, (feet, hooks), known, seat, plain)


def _summary(
    foot_rows: list[Row],
    hook_rows: list[Row],
    face_rows: list[Row],
    truth: Truth,
    places: tuple[_Places, _Places],
    known: dict[str, int],
    seat: Array,
    plain: Array,
) -> Score:
    feet, hooks = places
    arrays = [f"{row['face']}/{row['array']}" for row in foot_rows]
    off, constant, array_rms = np.zeros(len(seat)), np.zeros(len(seat)), {}
    for name in dict.fromkeys(arrays):
        here = np.array([a == name for a in arrays])
        off[here] = _off_plane(feet.u_m[here], feet.v_m[here], seat[here])
        constant[here] = _off_plane(feet.u_m[here], feet.v_m[here], plain[here])
        array_rms[name] = float(np.sqrt(np.mean(off[here] ** 2)))
    sigma = numbers(foot_rows, "sigma_mm")
    matched = score_faces(face_rows, truth, known)
    found, named = {f.truth for f in matched}, {f.face for f in matched}
    return Score(
        len(seat),
        float(np.sqrt(np.mean(off**2))),
        float(np.abs(off).max()),
        float(np.sqrt(np.mean(constant**2))),
        float(np.mean(np.abs(off) > BEYOND_MM)),
        float(np.mean(np.abs(off) <= 1.96 * sigma)),
        float(sigma.mean()),
        max(_position_error_mm(foot_rows, feet), _position_error_mm(hook_rows, hooks)),
        matched,
        tuple(f.index for f in truth.listed if f.index not in found),
        tuple(r["face"] for r in face_rows if r["face"] not in named),
        array_rms,
        {row["foot"]: float(r) for row, r in zip(foot_rows, off, strict=True)},
    )
