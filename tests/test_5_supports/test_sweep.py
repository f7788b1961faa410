"""Random roofs of any shape with random hardware and rafters: what is built is judged by figures worked out anew here.

Nothing of the package but its settings and nouns is used to judge: plain distances, intervals and counts.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest
from shapely.geometry import LineString, box

from rowplane.config import (
    HardwareConfig,
    ModuleConfig,
    PlacementConfig,
    RafterConfig,
    SetbackConfig,
    SiteConfig,
    SupportsConfig,
)
from rowplane.model import Face, Layout, Levelling, Obstacle, SupportPlan, Surface, Surfaces
from rowplane.placement import place_modules
from rowplane.supports import list_parts, place_supports
from test_4_placement.builders import face
from test_5_supports.builders import pattern, surface

KINDS = ("eave", "ridge", "hip", "valley", "verge", "step")
NEAR_MM = 1e-3


def random_roof(rng: np.random.Generator) -> Face:
    """A face of 4 to 9 corners, slanted and concave ones among them, sometimes a plain gable, with up to three obstacles."""
    width, depth = rng.uniform(5000, 13_000), rng.uniform(3000, 8000)
    shape = int(rng.integers(4))
    if shape == 0:
        ring = [(0, 0), (width, 0), (width, depth), (0, depth)]
    elif shape == 1:
        inner = sorted(rng.uniform(0.1, 0.9, 2) * width)
        ring = [(0, 0), (width, 0), (inner[1], depth), (inner[0], depth)]
    elif shape == 2:
        u, v = rng.uniform(0.3, 0.7) * width, rng.uniform(0.3, 0.7) * depth
        ring = [(0, 0), (width, 0), (width, v), (u, v + rng.uniform(-300, 300)), (u, depth), (0, depth)]
    else:
        n = int(rng.integers(5, 10))
        turn = (np.arange(n) + rng.uniform(-0.35, 0.35, n)) * 2 * np.pi / n
        reach = rng.uniform(0.45, 1.0, n)
        ring = [(width / 2 * (1 + r * np.cos(t)), depth / 2 * (1 + r * np.sin(t))) for r, t in zip(reach, turn, strict=True)]
    ring = [(float(u), float(v)) for u, v in ring]
    things = []
    for _ in range(int(rng.integers(0, 4))):
        u, v, w, h = rng.uniform(0, width), rng.uniform(0, depth), rng.uniform(150, 1200), rng.uniform(150, 1200)
        things.append(Obstacle(box(u, v, u + w, v + h), float(rng.uniform(0, 1200)), "obstacle"))
    kinds = [str(k) for k in rng.choice(KINDS, len(ring))]
    return face(ring, kinds, obstacles=things, pitch=float(rng.uniform(12, 50)))  # type: ignore[arg-type]


class Case:
    """One roof, its settings, and what was laid and carried on it."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.face = random_roof(rng)
        cover, gauge = float(rng.uniform(190, 330)), float(rng.uniform(280, 400))
        tiles = pattern(gauge, cover, float(rng.uniform(0, 300)), 0.45 * cover, float(rng.uniform(-4e-3, 4e-3)), float(rng.uniform(-8e-3, 8e-3)))
        self.surface: Surface = replace(surface(tiles if rng.integers(5) else None), face=self.face)
        self.hardware = HardwareConfig(
            max_foot_spacing_mm=float(rng.integers(900, 1700)), max_row_overhang_mm=float(rng.integers(300, 600)),
            max_hook_span_mm=float(rng.integers(700, 1500)), max_rail_overhang_mm=float(rng.integers(280, 500)),
            hook_reach_mm=float(rng.integers(70, 180)), rail_end_mm=float(rng.integers(0, 60)), rail_past_mm=float(rng.integers(0, 80)),
            stock_length_mm=tuple(float(x) for x in rng.integers(2200, 6200, rng.integers(1, 4))), saw_mm=float(rng.integers(0, 6)),
            splice_clear_mm=float(rng.integers(50, 150)), arm_width_mm=float(rng.integers(25, 60)), foot_width_mm=float(rng.integers(40, 80)),
            hook_stiffness_N_mm=None if rng.integers(3) else float(rng.uniform(100, 900)),
        )  # fmt: skip
        self.module = ModuleConfig(
            width_mm=float(rng.integers(950, 1150)), height_mm=float(rng.integers(1500, 1950)), feet_per_module=int(rng.choice([2, 4, 4, 4])),
            zone_long_mm=((0, 980), (0, 980), (0, 980), (0, 700), (200, 600))[rng.integers(5)], zone_short_mm=((0, 580), (0, 580), (0, 580), (0, 450), (100, 400))[rng.integers(5)],
        )  # fmt: skip
        setback = SetbackConfig(**{k: float(rng.integers(0, 600)) for k in (*KINDS, "obstacle")})
        self.placement = PlacementConfig(
            setback_mm=setback, gap_mm=float(rng.integers(5, 25)), min_modules=int(rng.integers(1, 4)),
            orientation=("best", "best", "portrait", "landscape")[rng.integers(4)], rows=("aligned", "aligned", "shifted")[rng.integers(3)],
            obstacle_height_factor=float(rng.choice([0.0, 0.5])),
        )  # fmt: skip
        spacing = float(rng.choice([400, 500, 600, 625, 700, 800, 900]))
        middles = tuple(float(u) for u in np.arange(rng.uniform(0, spacing), 13_500, spacing) + rng.uniform(-15, 15))
        self.rafters = () if rng.integers(4) == 0 else (RafterConfig(positions_mm=middles, tolerance_mm=15),)
        where = Surfaces((self.surface,))
        self.layout = place_modules(where, self.placement, self.rafters, self.module, self.hardware, SiteConfig())
        self.plan = place_supports(self.layout, where, SupportsConfig(), self.rafters, self.module, self.hardware, SiteConfig())
        self.relaxed = {f.subject for f in self.plan.findings if f.code in ("supports-relaxed", "arm-too-wide")}


def modules_lie_where_they_may(case: Case) -> None:
    one, placement = case.face, case.placement
    rects = [(m, a) for a in case.layout.arrays for m in a.modules]
    for m, array in rects:
        tile = box(*m.rect_mm)
        assert tile.area == pytest.approx(array.along_u_mm * array.along_v_mm)
        assert tile.difference(one.outline).area < 1.0
        for edge in one.edges:
            assert tile.distance(LineString([edge.start_uv, edge.end_uv])) >= getattr(placement.setback_mm, edge.kind) - NEAR_MM
        for thing in one.obstacles:
            keep = max(placement.setback_mm.obstacle, placement.obstacle_height_factor * thing.height_mm)
            assert tile.distance(thing.outline) >= keep - NEAR_MM
    for (a, _), (b, _) in combinations(rects, 2):
        apart = max(b.rect_mm[0] - a.rect_mm[2], a.rect_mm[0] - b.rect_mm[2], b.rect_mm[1] - a.rect_mm[3], a.rect_mm[1] - b.rect_mm[3])
        assert apart >= placement.gap_mm - NEAR_MM
    assert len({m.id for m, _ in rects}) == len(rects)
    for array in case.layout.arrays:
        assert placement.min_modules <= len(array.modules) <= array.bound


def feet_stand_on_rails_and_hold_in_zones(case: Case) -> None:
    half, plan = case.hardware.foot_width_mm / 2, case.plan
    rails = {r.id: r for r in plan.rails}
    assert len({f.id for f in plan.feet}) == len(plan.feet)
    for array in case.layout.arrays:
        own = [f for f in plan.feet if f.array == array.id]
        if f"array {array.id}" in case.relaxed or not own:
            continue
        low, high = case.module.zone_long_mm if array.orientation == "landscape" else case.module.zone_short_mm
        for f in own:
            rail = rails[f.rail]
            assert f.u_mm == rail.u_mm
            assert f.id in rail.foot_ids
            assert rail.v_start_mm - NEAR_MM <= f.v_mm <= rail.v_end_mm + NEAR_MM
        for m in array.modules:
            left, front, right, top = m.rect_mm
            for v in (front, top):
                on = sorted(f.u_mm for f in own if abs(f.v_mm - v) <= array.gap_mm / 2 + 0.01 and left - half < f.u_mm < right + half)
                assert len(on) >= case.module.feet_per_module / 2, m.id
                for u in on:
                    corner = max(0.0, min(u - left, right - u))
                    assert low - NEAR_MM <= corner <= high + NEAR_MM, m.id
        _rows_are_held(case, array.id)


def _rows_are_held(case: Case, name: str) -> None:
    """Along every unbroken row and both its edges: ends within the overhang, neighbours within the spacing."""
    array = next(a for a in case.layout.arrays if a.id == name)
    spacing = case.hardware.max_foot_spacing_mm
    if not case.rafters:
        spacing = math.floor(spacing / 600) * 600 if spacing >= 600 else spacing
    for row in {m.row for m in array.modules}:
        ordered = sorted((m.rect_mm for m in array.modules if m.row == row), key=lambda r: r[0])
        breaks = [k for k, (a, b) in enumerate(pairwise(ordered), 1) if b[0] - a[2] > array.gap_mm + 1]
        for part in np.split(np.array(ordered), breaks):
            start, end = part[0, 0], part[-1, 2]
            for v in (part[0, 1], part[0, 3]):
                on = sorted(f.u_mm for f in case.plan.feet if f.array == name and abs(f.v_mm - v) <= array.gap_mm / 2 + 0.01 and start <= f.u_mm <= end)
                over = min(case.hardware.max_row_overhang_mm, spacing)
                assert on
                assert on[0] - start <= over + NEAR_MM
                assert end - on[-1] <= over + NEAR_MM
                assert all(b - a <= spacing + NEAR_MM for a, b in pairwise(on))


def rails_rest_on_hooks_on_rafters_in_pans(case: Case) -> None:
    plan, hardware, tiles = case.plan, case.hardware, case.surface.pattern
    hooks = {h.id: h for h in plan.hooks}
    assert sorted(hooks) == sorted(h for r in plan.rails for h in r.hook_ids)
    starts: dict[str, set[float]] = {}
    for rail in plan.rails:
        own = [hooks[h] for h in rail.hook_ids]
        v = [h.v_mm for h in own]
        assert len(v) >= 2
        assert all(b > a for a, b in pairwise(v))
        assert rail.v_start_mm <= v[0]
        assert v[-1] <= rail.v_end_mm
        assert np.allclose(rail.influence.sum(axis=1), 1.0, atol=1e-6)
        assert all(h.u_mm == rail.u_mm and h.rafter == rail.rafter for h in own)
        if any(f.line == 0 for f in plan.feet if f.rail == rail.id):
            starts.setdefault(rail.array, set()).add(rail.v_start_mm)
        for h in own:
            if tiles is not None and hardware.arm_width_mm <= tiles.pan_width_mm:
                slack = (tiles.pan_width_mm - hardware.arm_width_mm) / 2
                pan = tiles.pan_phase_mm + (h.pan - 1) * tiles.cover_width_mm + tiles.skew * h.v_mm
                assert abs(h.u_mm - pan) <= slack + 0.01
                nose = tiles.nose_phase_mm + (h.course - 1) * tiles.gauge_mm + tiles.tilt * h.u_mm
                assert h.v_mm == pytest.approx(nose, abs=0.01)
                assert h.course >= 2
        if f"array {rail.array}" in case.relaxed:
            continue
        assert all(b - a <= hardware.max_hook_span_mm + NEAR_MM for a, b in pairwise(v))
        assert max(v[0] - rail.v_start_mm, rail.v_end_mm - v[-1]) <= hardware.max_rail_overhang_mm + NEAR_MM
        if case.rafters:
            assert abs(rail.u_mm - _rafter_at(case, rail.rafter)) <= hardware.hook_reach_mm + NEAR_MM
    assert all(len(own) == 1 for own in starts.values())
    for a, b in combinations(plan.rails, 2):
        together = min(a.v_end_mm, b.v_end_mm) - max(a.v_start_mm, b.v_start_mm)
        if a.array == b.array and together > 0:
            assert abs(a.u_mm - b.u_mm) >= hardware.foot_width_mm - NEAR_MM or (a.rafter or a.u_mm) != (b.rafter or b.u_mm), (a.id, b.id)


def _rafter_at(case: Case, name: str) -> float:
    left, _, right, _ = case.face.outline.bounds
    return sorted(u for u in case.rafters[0].positions_mm if left <= u <= right)[int(name) - 1]


def cuts_and_parts_are_what_is_drawn(case: Case) -> None:
    plan, hardware = case.plan, case.hardware
    at_feet = {r.id: [f.v_mm for f in plan.feet if f.rail == r.id] for r in plan.rails}
    at_hooks = {r.id: [h.v_mm for h in plan.hooks if h.rail == r.id] for r in plan.rails}
    forced = any(f.code == "splice-place" for f in plan.findings)
    for rail in plan.rails:
        assert sum(rail.cuts_mm) == pytest.approx(rail.v_end_mm - rail.v_start_mm)
        assert max(rail.cuts_mm) <= max(hardware.stock_length_mm) + NEAR_MM
        assert len(rail.cuts_mm) == len(rail.splices_mm) + 1
        for v in rail.splices_mm if not forced else ():
            assert min(abs(v - w) for w in (*at_feet[rail.id], *at_hooks[rail.id])) >= hardware.splice_clear_mm - NEAR_MM
            assert at_hooks[rail.id][1] <= v <= at_hooks[rail.id][-2]
    made = sorted((name, round(length, 3)) for c in plan.cutting for name, length in c.pieces)
    assert made == sorted((r.id, round(length, 3)) for r in plan.rails for length in r.cuts_mm)
    for cut in plan.cutting:
        used = sum(length for _, length in cut.pieces)
        assert used + hardware.saw_mm * (len(cut.pieces) - 1) <= cut.stock_mm + 1.0 * len(cut.pieces)
        assert cut.stock_mm in hardware.stock_length_mm
    parts = list_parts(case.layout, plan, Levelling((), (), (), (), (), ()), case.module, hardware)
    many: dict[str, float] = {}
    for p in parts:
        many[p.part] = many.get(p.part, 0.0) + p.quantity
    modules = sum(len(a.modules) for a in case.layout.arrays)
    assert many.get("module", 0) == modules
    assert many.get("tile hook", 0) == len(plan.hooks) + math.ceil(len(plan.hooks) * hardware.spare_percent / 100 - 1e-9)
    assert many.get("rail, stock length", 0) == len(plan.cutting)
    assert many.get("cable clip", 0) == 2 * modules
    feet = sum(n for part, n in many.items() if part.startswith("foot, "))
    assert len(plan.feet) <= feet <= len(plan.feet) * (1 + hardware.spare_percent / 100) + 6


def judged(seed: int) -> tuple[Layout, SupportPlan]:
    case = Case(seed)
    modules_lie_where_they_may(case)
    feet_stand_on_rails_and_hold_in_zones(case)
    rails_rest_on_hooks_on_rafters_in_pans(case)
    cuts_and_parts_are_what_is_drawn(case)
    carried = {r.array for r in case.plan.rails}
    for array in case.layout.arrays:
        assert array.id in carried or any(f.code == "no-supports" and f.subject == f"array {array.id}" for f in case.plan.findings)
    if not case.layout.arrays:
        assert any(f.code == "no-layout" and len(f.text) > 40 for f in case.layout.findings)
    return case.layout, case.plan


@pytest.mark.parametrize("seed", range(4))
def test_any_roof_is_built_within_its_limits_or_says_what_not(seed: int) -> None:
    layout, plan = judged(seed)
    assert layout.arrays
    assert plan.rails


@pytest.mark.long
@pytest.mark.parametrize("seed", range(4, 104))
def test_a_hundred_roofs_more(seed: int) -> None:
    judged(seed)
