"""Arrays of one face in one plane, and rows that may fold where one plane cannot work: against enumeration and by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rowplane.config import HardwareConfig, LevellingConfig
from rowplane.levelling import level_feet, recheck_feet
from rowplane.levelling.program import Task, solve
from rowplane.levelling.setting import fold_heights, plane_at
from rowplane.model import FieldReading, FieldReadings, Foot, Hook, Layout, Levelling, Rail
from test_6_levelling.builders import Case, Field, case, sag
from test_6_levelling.enumeration import enumerate_best
from test_6_levelling.test_program import goals, random_task


def folded_task(seed: int, packed: bool) -> Task:
    """A task of random_task's kind in which the plane may fold once, and mostly has to."""
    task, rng = random_task(seed), np.random.default_rng(seed + 5000)
    if not packed:
        task = replace(task, packers=np.zeros(0), pieces=np.zeros(0), influence=task.influence[:, :0])
    f, fold = len(task.rail), float(rng.choice([2.0, 9.0, 15.0]))
    bend = np.abs(task.feet[:, 2:]) - 1
    limit = np.concatenate([task.upper, [fold]])
    return replace(
        task, feet=np.hstack([task.feet, -bend]), crowns=np.hstack([task.crowns, 1 - np.abs(task.crowns[:, 2:])]),
        corners=np.hstack([task.corners, 1 - np.abs(task.corners[:, 2:])]), held=np.zeros((0, 4)), lower=-limit, upper=limit,
        rail=task.rail + 6 * bend[:, 0] * rng.choice([-1, 1]) + rng.normal(0, 1, f),
    )  # fmt: skip


@pytest.mark.parametrize("packed", [False, pytest.param(True, marks=pytest.mark.long)])
def test_folds_equal_to_enumeration(packed: bool) -> None:
    kinds = []
    for seed in range(40 if packed else 14):
        task = folded_task(seed, packed)
        flat = replace(task, lower=np.array([*task.lower[:3], 0.0]), upper=np.array([*task.upper[:3], 0.0]))
        plane, folded = enumerate_best(flat), enumerate_best(task)
        # Rows fold only where one plane falls short; where folding does not cure it either, the flat plane's shortfall stays.
        kind = "flat" if plane.shortfall == 0 else "folded" if folded.shortfall == 0 else "short"
        best = folded if kind == "folded" else plane
        answer = solve(task)
        got = goals(answer)
        assert got.get("shortfall", 0.0) == pytest.approx(best.shortfall, abs=1e-5)
        assert got.get("packers", 0.0) == best.packers
        assert (abs(answer.x[3]) > 1e-9) == (kind == "folded")
        if kind != "short":
            assert got["greatest adjustment"] == pytest.approx(best.greatest, abs=1e-5)
            assert got["total turning"] == pytest.approx(best.turning, abs=1e-4)
        kinds.append(kind)
    assert min(kinds.count(k) for k in ("flat", "folded", "short")) >= 2


def ridge(depth: float) -> Field:
    """Rows that lean against each other: a fold of the substrate itself, between row 1 and row 2."""
    return Field(lambda u, v: -depth * np.abs(v - 2028) / 1722 + 0 * u, sd=0.5)


TIGHT = HardwareConfig(lift_min_mm=20, lift_max_mm=26, packers_mm=())


def test_rows_fold_where_one_plane_cannot_work() -> None:
    one = level_feet(*case(ridge(16.0), columns=3, hardware=TIGHT).args())
    assert any(f.reach == "out-of-reach" for f in one.feet)
    made = case(ridge(16.0), columns=3, hardware=TIGHT, levelling=LevellingConfig(max_fold_mm=14))
    levels = level_feet(*made.args())
    assert {f.reach for f in levels.feet} == {"ok"}
    assert levels.wishes == ()
    basis, (plane,) = levels.posteriors[0], levels.planes
    (height,) = fold_heights(basis)
    assert 0 < height <= 14 + 1e-6
    assert [f.code for f in levels.findings if f.code == "rows-folded"] == ["rows-folded"]
    # Every seat lies in its own row's plane; the fold's height follows from three lines of the table itself.
    stand = np.array([f.rail_height_mm + f.lift_mm for f in levels.feet])
    assert np.abs(stand - plane_at(basis, basis.foot_u_mm, basis.foot_v_mm)).max() <= TIGHT.thread_pitch_mm / 8 + 1e-6
    ((at, bend),) = plane.folds
    v = np.array([basis.foot_v_mm.min(), at, basis.foot_v_mm.max()])
    row = plane.height_mm + plane.slope_v * v + bend * np.maximum(v - at, 0)
    assert row[1] - np.interp(at, v[[0, 2]], row[[0, 2]]) == pytest.approx(height, abs=1e-6)
    assert plane.tilt_mm <= 10 + 1e-6


def test_a_fold_is_not_used_where_one_plane_works_nor_beyond_its_limit() -> None:
    easy = level_feet(*case(ridge(4.0), columns=3, hardware=TIGHT, levelling=LevellingConfig(max_fold_mm=14)).args())
    assert easy.planes[0].folds == ()
    hard = level_feet(*case(ridge(30.0), columns=3, hardware=TIGHT, levelling=LevellingConfig(max_fold_mm=5)).args())
    assert any(f.reach == "out-of-reach" for f in hard.feet)
    assert hard.planes[0].folds == ()


def two_arrays(field: Field, levelling: LevellingConfig, hardware: HardwareConfig | None = None) -> Case:
    """The same array twice on one face, the second 8 m to the right."""
    made, shift = case(field, rows=1, columns=3, levelling=levelling, hardware=hardware), 8000.0

    def name(text: str) -> str:
        return text.replace("A1", "A2")

    def hook(h: Hook) -> Hook:
        height = float(field.mean_mm(np.array([[h.u_mm + shift, h.v_mm]]))[0]) + made.hardware.build_up_mm
        return replace(h, id=name(h.id), rail=name(h.rail), u_mm=h.u_mm + shift, seat_height_mm=height)

    def foot(f: Foot) -> Foot:
        return replace(f, id=name(f.id), array="A2", rail=name(f.rail), u_mm=f.u_mm + shift)

    def rail(r: Rail) -> Rail:
        ids = {"hook_ids": tuple(map(name, r.hook_ids)), "foot_ids": tuple(map(name, r.foot_ids))}
        return replace(r, id=name(r.id), array="A2", u_mm=r.u_mm + shift, **ids)

    (array,) = made.layout.arrays
    modules = tuple(
        replace(m, id=name(m.id), rect_mm=(m.rect_mm[0] + shift, m.rect_mm[1], m.rect_mm[2] + shift, m.rect_mm[3]))
        for m in array.modules
    )
    plan = replace(
        made.plan, rails=(*made.plan.rails, *map(rail, made.plan.rails)), hooks=(*made.plan.hooks, *map(hook, made.plan.hooks)),
        feet=(*made.plan.feet, *map(foot, made.plan.feet)),
    )  # fmt: skip
    return replace(made, plan=plan, layout=Layout((array, replace(array, id="A2", modules=modules)), ()))


STEP = Field(lambda u, v: np.where(u > 6000, 12.0, 0.0) + 0 * v, sd=0.5)


def seat_plane(levels: Levelling, k: int) -> tuple[float, float, float]:
    plane = levels.planes[k]
    return plane.height_mm, plane.slope_u, plane.slope_v


def test_arrays_of_one_face_share_a_plane_when_asked() -> None:
    apart = level_feet(*two_arrays(STEP, LevellingConfig(max_tilt_mm=0)).args())
    assert apart.planes[1].height_mm - apart.planes[0].height_mm == pytest.approx(12, abs=1e-4)
    levels = level_feet(*two_arrays(STEP, LevellingConfig(max_tilt_mm=0, one_plane_per_face=True)).args())
    assert seat_plane(levels, 0) == pytest.approx(seat_plane(levels, 1))
    # Half of the step above the middle of travel on one side, half below on the other: the smallest greatest adjustment.
    assert {round(f.adjustment_mm) for f in levels.feet} == {-6, 6}
    assert levels.planes[0].objective[0] == ("greatest adjustment", pytest.approx(6, abs=1e-4))


def test_a_shared_plane_stays_shared_after_readings() -> None:
    levels = level_feet(*two_arrays(STEP, LevellingConfig(max_tilt_mm=0, one_plane_per_face=True)).args())
    lines = tuple(FieldReading(f.foot, "set", f.lift_mm + 4) for f in levels.feet if f.foot.startswith("A1"))
    after = recheck_feet(levels, FieldReadings("readings.csv", lines))
    assert seat_plane(after, 0) == pytest.approx(seat_plane(after, 1))
    moved = {f.foot: f.lift_mm - was.lift_mm for f, was in zip(after.feet, levels.feet, strict=True)}
    assert all(up == pytest.approx(4, abs=0.26) for up in moved.values())


def test_a_shared_plane_that_fails_names_planes_of_their_own() -> None:
    hardware = HardwareConfig(lift_min_mm=20, lift_max_mm=30, packers_mm=())
    levels = level_feet(*two_arrays(STEP, LevellingConfig(max_tilt_mm=0, one_plane_per_face=True), hardware).args())
    told = [f.text for f in levels.findings if f.code == "levelling-cure" and "of its own" in f.text]
    assert len(told) == 2


def test_a_sagging_face_is_no_reason_to_fold() -> None:
    levels = level_feet(*case(Field(sag(20), sd=1.0), rows=3, levelling=LevellingConfig(max_fold_mm=5)).args())
    assert levels.planes[0].folds == ()
