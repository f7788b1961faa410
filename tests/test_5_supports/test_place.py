"""What must hold of every plan: buildable, within limits or said so, and loads that add up."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from rowplane.config import HardwareConfig, ModuleConfig, RafterConfig, SiteConfig, SupportsConfig
from rowplane.model import Hook, Layout, ModuleArray, SupportPlan, Surface
from rowplane.supports import place_supports
from rowplane.supports.feet import Spot, module_areas_m2
from rowplane.supports.grid import grid_of
from rowplane.supports.loads import GRAVITY
from rowplane.supports.pressures import face_loads, module_pressure_Pa
from rowplane.supports.standards import asce_7_16
from test_5_supports.builders import RAFTERS, array_of, block, layout, pattern, plan_of, surface, surfaces

MARGIN_MM = 40.0


def check(
    plan: SupportPlan, array: ModuleArray, where: Surface, hardware: HardwareConfig, module: ModuleConfig, rafters
) -> None:
    """Everything a plan without a relaxation promises."""
    hooks, feet = {h.id: h for h in plan.hooks}, {f.id: f for f in plan.feet}
    assert len(hooks) == len(plan.hooks)
    assert len(feet) == len(plan.feet)
    grid, lines = grid_of(array, module, hardware), {line.index: line for line in array.lines}
    for rail in plan.rails:
        own, stand = [hooks[h] for h in rail.hook_ids], [feet[f] for f in rail.foot_ids]
        v = [h.v_mm for h in own]
        assert len(own) >= 2
        assert v == sorted(v)
        assert all(b - a <= hardware.max_hook_span_mm + 1e-6 for a, b in pairwise(v))
        assert max(v[0] - rail.v_start_mm, rail.v_end_mm - v[-1]) <= hardware.max_rail_overhang_mm + 1e-6
        spans = [b - a for a, b in pairwise(v)]
        assert [h.span_mm for h in own] == pytest.approx([max(spans[max(k - 1, 0) : k + 1]) for k in range(len(own))])
        assert stand[0].v_mm - rail.v_start_mm == pytest.approx(hardware.rail_end_mm)
        assert rail.v_end_mm - stand[-1].v_mm == pytest.approx(hardware.rail_past_mm)
        assert [f.line for f in stand] == list(range(stand[0].line, stand[-1].line + 1))
        assert rail.influence.shape == (len(stand), len(own))
        assert rail.influence.sum(axis=1) == pytest.approx(np.ones(len(stand)), abs=1e-9)
        assert sum(rail.cuts_mm) == pytest.approx(rail.v_end_mm - rail.v_start_mm)
        assert max(rail.cuts_mm) <= max(hardware.stock_length_mm)
        assert all(h.u_mm == rail.u_mm for h in own)
        for h in own:
            if where.pattern is not None:
                assert h.v_mm == pytest.approx(where.pattern.nose_mm(h.course, h.u_mm))
                slack = (where.pattern.pan_width_mm - hardware.arm_width_mm) / 2
                assert abs(h.u_mm - where.pattern.pan_mm(h.pan, h.v_mm)) <= slack + 1e-6
            if rafters:
                middle = 300 + 600 * (int(h.rafter) - 1)
                assert abs(h.u_mm - middle) <= hardware.hook_reach_mm + 1e-6
                assert h.probe_mm == pytest.approx(hardware.hook_reach_mm - abs(h.u_mm - middle))
            assert h.find_rafter == (not rafters)
            assert h.seat_height_mm == pytest.approx(
                float(where.height.mean_mm(np.array([[h.u_mm, h.v_mm]]))[0]) + hardware.build_up_mm
            )
    for foot in plan.feet:
        start, end = lines[foot.line].runs[foot.run]
        assert start <= foot.u_mm <= end
        assert foot.v_mm == lines[foot.line].v_mm
        touched = grid.touched(foot.line, foot.u_mm)
        assert touched
        assert all(grid.in_zone(d) for _, d in touched)
        rows = [m.row for m, _ in touched]
        assert foot.kind.endswith("+joiner") == (len(rows) > len(set(rows)))
        assert foot.kind.split("+")[0] == (
            "seam" if {foot.line, foot.line + 1} <= set(rows) else "front" if foot.line + 1 in rows else "top"
        )
    for chain in grid.chains:
        for line in (chain.row - 1, chain.row):
            us = sorted(f.u_mm for f in plan.feet if f.line == line and chain.start_mm <= f.u_mm <= chain.end_mm)
            assert max(us[0] - chain.start_mm, chain.end_mm - us[-1]) <= hardware.max_row_overhang_mm + 1e-6
            assert all(b - a <= hardware.max_foot_spacing_mm + 1e-6 for a, b in pairwise(us))
            half = hardware.foot_width_mm / 2
            for m in chain.modules:
                held = [u for u in us if m.rect_mm[0] - half < u < m.rect_mm[2] + half]
                assert len(held) >= module.feet_per_module / 2


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@example(  # a foot that reaches exactly to a module's edge holds nothing
    rows=1, columns=2, u0=300, landscape=False, cover=282, phase=52, gauge=300, skew=-0.001953125, tilt=0.0, tiled=True,
    known=False, ragged=False,
)  # fmt: skip
@given(
    rows=st.integers(1, 3), columns=st.integers(1, 5), u0=st.integers(300, 1500), landscape=st.booleans(),
    cover=st.integers(200, 330), phase=st.integers(0, 300), gauge=st.integers(300, 380), skew=st.floats(-0.004, 0.004),
    tilt=st.floats(-0.01, 0.01), tiled=st.booleans(), known=st.booleans(), ragged=st.booleans(),
)  # fmt: skip
def test_every_plan_is_buildable(rows, columns, u0, landscape, cover, phase, gauge, skew, tilt, tiled, known, ragged) -> None:
    """Random arrays, tiles and rafters: within every limit, or a finding that says what was relaxed."""
    along_u, along_v = (1722.0, 1134.0) if landscape else (1134.0, 1722.0)
    lefts = [[u0 + c * (along_u + 12) for c in range(columns - (r if ragged else 0))] for r in range(rows)]
    array = array_of(
        [row for row in lefts if row], along_u=along_u, along_v=along_v, orientation="landscape" if landscape else "portrait"
    )
    tiles = pattern(float(gauge), float(cover), float(phase), 130.0, skew, tilt) if tiled else None
    where, hardware, module = surface(tiles), HardwareConfig(), ModuleConfig()
    rafters = RAFTERS if known else ()
    plan = plan_of(array, where, rafters)
    assert plan.rails
    assert ("rafters-unknown" in {f.code for f in plan.findings}) == (not known)
    relaxed = [f for f in plan.findings if f.code == "supports-relaxed"]
    if not relaxed:
        check(plan, array, where, hardware, module, rafters)
        return
    assert all("instead of" in f.text for f in relaxed)
    assert any(f.note for f in plan.feet) or any("limit" in h.note for h in plan.hooks)
    # A relaxation must be needed: what is known to be possible is not relaxed.
    courses = {f.text.startswith("No courses") for f in relaxed}
    assert True not in courses or not all(may_be_hooked(h, plan, where, hardware) for h in plan.hooks if "limit" in h.note)
    assert False not in courses or not may_be_held(array, where, rafters, hardware)


def may_be_hooked(hook: Hook, plan: SupportPlan, where: Surface, hardware: HardwareConfig) -> bool:
    """Whether courses along this hook's rail keep span and overhang, by stepping from course to course."""
    rail = next(r for r in plan.rails if r.id == hook.rail)
    if where.pattern is None:
        return rail.v_end_mm - rail.v_start_mm > 2 * hardware.arm_width_mm
    noses = [float(where.pattern.nose_mm(k, rail.u_mm)) for k in range(2, 60)]
    seats = [v for v in noses if rail.v_start_mm + 20 <= v <= rail.v_end_mm - 20]
    reached = {v for v in seats if v - rail.v_start_mm <= hardware.max_rail_overhang_mm}
    for v in seats:
        if any(0 < v - w <= hardware.max_hook_span_mm for w in reached):
            reached.add(v)
    return len(seats) > 1 and any(rail.v_end_mm - v <= hardware.max_rail_overhang_mm for v in reached)


def may_be_held(array: ModuleArray, where: Surface, rafters, hardware: HardwareConfig) -> bool:
    """Whether rails surely could hold rows that all begin together: a walk from foot to foot on a grid of 20 mm, every limit
    MARGIN_MM tighter, so that a planner whose candidates stand up to 30 mm apart must find such a set too.

    Each demand is a stretch and how many feet, at most two, it must hold: the last two feet tell when it has been passed.
    """
    half, over = hardware.foot_width_mm / 2, hardware.max_row_overhang_mm - MARGIN_MM
    spacing = (hardware.max_foot_spacing_mm if rafters else 1200.0) - MARGIN_MM
    rows = [[m.rect_mm for m in array.modules if m.row == r] for r in sorted({m.row for m in array.modules})]
    start, end = rows[0][0][0], rows[0][-1][2]
    needs = [(start + half, start + over, 1)]
    for row in rows:
        needs.append((row[-1][2] - over, row[-1][2] - half, 1))
        needs += [(max(m[0] - half + MARGIN_MM, start + half), min(m[2] + half - MARGIN_MM, row[-1][2] - half), 2) for m in row]
    ends_v = array.lines[0].v_mm - hardware.rail_end_mm, array.lines[-1].v_mm + hardware.rail_past_mm
    places = [(u, place) for u in np.arange(start + half, end - half, 20.0) for place in _places(u, ends_v, where, rafters, hardware)]
    states = {((-np.inf, ""), (-np.inf, ""))}

    def met(p, q, before: float) -> bool:
        return all(sum(lo <= f[0] <= hi for f in (p, q)) >= n for lo, hi, n in needs if q[0] <= hi < before)

    for u, place in places:
        for p, q in list(states):
            near = not q[1] or 2 * half + MARGIN_MM <= u - q[0] <= spacing
            if near and place not in (p[1], q[1]) and met(p, q, u):
                states.add((q, (u, place)))
    return any(met(p, q, np.inf) for p, q in states)


def _places(u: float, ends_v, where: Surface, rafters, hardware: HardwareConfig) -> list[str]:
    """Rafter (else pan, else the place itself) that a rail at u would use up; none where it has no rafter or no pan."""
    known = [str(k) for k in range(1, 25) if abs(u - (300 + 600 * (k - 1))) <= hardware.hook_reach_mm] if rafters else [""]
    if where.pattern is None:
        return known if rafters else [f"{u}"]
    slack = (where.pattern.pan_width_mm - hardware.arm_width_mm) / 2
    pans = [k for k in range(-3, 70) if all(abs(u - float(where.pattern.pan_mm(k, v))) <= slack for v in ends_v)]
    return [name or f"pan {k}" for name in known for k in pans]


def test_what_may_be_held_is_told_from_what_may_not() -> None:
    """The walk that judges relaxations says yes to an ordinary roof, and no where rafters are too few."""
    hardware = HardwareConfig()
    assert may_be_held(block(2, 3), surface(pattern(cover=300.0, pan_width=130.0)), RAFTERS, hardware)
    assert not may_be_held(block(2, 3), surface(pattern(cover=300.0, pan_width=130.0)), RAFTERS, HardwareConfig(max_foot_spacing_mm=500))


def test_rails_with_the_front_line_start_together() -> None:
    plan = plan_of(array_of([[600 + 1146 * c for c in range(7)], [1746 + 1146 * c for c in range(5)]]))
    starts = {r.v_start_mm for r in plan.rails if "-0-" in r.foot_ids[0]}
    assert len(starts) == 1


def test_a_gap_in_a_row_parts_the_rail() -> None:
    """A chimney takes the middle module of the second row: no rail runs through there, each end of the rows is held."""
    lefts = [600 + 1146 * c for c in range(7)]
    array = array_of([lefts, lefts[:3] + lefts[4:], lefts], along_v=1134.0)
    plan = plan_of(array)
    hole = (lefts[2] + 1134, lefts[4])
    front, top = array.lines[1].v_mm, array.lines[2].v_mm
    for rail in plan.rails:
        if hole[0] < rail.u_mm < hole[1]:
            assert rail.v_end_mm <= front + 100 or rail.v_start_mm >= top - 100
    assert not [f for f in plan.findings if f.code == "supports-relaxed"]
    check(plan, array, surface(pattern()), HardwareConfig(), ModuleConfig(), RAFTERS)


def test_zones_of_the_data_sheet() -> None:
    """Zones that do not meet in the middle: one foot in each, none between and none at the seam."""
    module = ModuleConfig(zone_long_mm=(250, 600))
    array = block(2, 3, along_u=1722.0, along_v=1134.0, orientation="landscape")
    plan = plan_of(array, module=module, hardware=HardwareConfig(hook_reach_mm=150, max_row_overhang_mm=600))
    assert not [f for f in plan.findings if f.code == "supports-relaxed"]
    for m in array.modules:
        for line in (m.row - 1, m.row):
            from_left = [f.u_mm - m.rect_mm[0] for f in plan.feet if f.line == line and m.rect_mm[0] <= f.u_mm <= m.rect_mm[2]]
            assert any(250 <= d <= 600 for d in from_left)
            assert any(250 <= 1722 - d <= 600 for d in from_left)
            assert all(min(d, 1722 - d) >= 250 for d in from_left)


def test_rafters_by_azimuth() -> None:
    """Each face takes the section that looks its way; a face that none describes has unknown rafters."""
    sections = (
        RafterConfig(azimuth_deg=185, spacing_mm=600, first_mm=300),
        RafterConfig(azimuth_deg=95, positions_mm=tuple(range(100, 12_000, 500))),
    )
    south, east = plan_of(block(1, 4), rafters=sections), plan_of(block(1, 4), surface(pattern(), azimuth=90), sections)
    assert all(abs(h.u_mm - (300 + 600 * (int(h.rafter) - 1))) <= 120 for h in south.hooks)
    assert all(abs(h.u_mm - (100 + 500 * (int(h.rafter) - 1))) <= 120 for h in east.hooks)
    west = plan_of(block(1, 4), surface(pattern(), azimuth=270), sections)
    assert all(h.find_rafter and not h.rafter for h in west.hooks)
    assert "rafters-unknown" in {f.code for f in west.findings}


@pytest.mark.parametrize("rafters", [RAFTERS, ()], ids=["rafters known", "rafters unknown"])
def test_flat_tiles_that_show_courses_only(rafters) -> None:
    """Hooks behind noses of their course, on the rafters where these are known, and in no pan."""
    nan = math.nan
    tiles = replace(pattern(), cover_width_mm=nan, cover_width_sd_mm=nan, pan_phase_mm=nan, pan_width_mm=nan)
    plan = plan_of(block(2, 4), surface(tiles), rafters)
    assert plan.hooks
    for hook in plan.hooks:
        assert hook.pan == 0
        assert hook.course > 0
        assert hook.v_mm == pytest.approx(tiles.nose_mm(hook.course, hook.u_mm) + SupportsConfig().hook_behind_nose_mm)
        assert hook.find_rafter is not bool(rafters)
    assert not {f.code for f in plan.findings} & {"no-supports", "arm-too-wide", "supports-relaxed"}


@pytest.mark.parametrize("tiled", [True, False])
def test_staggered_hooks_keep_off_the_courses_of_the_rail_before(tiled: bool) -> None:
    array, where = block(2, 4), surface(pattern() if tiled else None)
    plain, apart = (
        place_supports(
            layout(array), surfaces(where), SupportsConfig(stagger=on), RAFTERS, ModuleConfig(), HardwareConfig(), SiteConfig()
        )
        for on in (False, True)
    )
    assert len(apart.hooks) == len(plain.hooks)
    check(apart, array, where, HardwareConfig(), ModuleConfig(), RAFTERS)

    def shared(plan: SupportPlan) -> int:
        rows = [{h.v_mm for h in plan.hooks if h.rail == r.id} for r in plan.rails]
        return sum(len(a & b) for a, b in pairwise(rows))

    # Courses 335 mm apart leave but one for the first and one for the last hook of these rails; the others can keep off.
    assert shared(plain) == len(plain.hooks) - len(plain.hooks) // len(plain.rails)
    assert shared(apart) == (2 * (len(apart.rails) - 1) if tiled else 0)


def test_loads_add_up() -> None:
    """With seats on one plane, what the hooks pull and press is what acts on the modules; without site data NaN."""
    array, site = block(2, 4), SiteConfig(pressure_up_Pa=1000, pressure_down_Pa=800, pressure_downslope_Pa=200)

    class Flat:
        def mean_mm(self, uv_mm):
            return np.zeros(len(uv_mm))

    where = surface(pattern(), Flat(), pitch=25.0)
    plan = plan_of(array, where, site=site)
    area = 8 * 1.134 * 1.722
    weight = 8 * ModuleConfig().mass_kg * GRAVITY
    c, s = math.cos(math.radians(25)), math.sin(math.radians(25))
    grid = grid_of(array, ModuleConfig(), HardwareConfig())
    spots = [Spot(f.line, 0, f.u_mm, f.v_mm) for f in plan.feet]
    assert module_areas_m2(grid, spots).sum() == pytest.approx(area)
    # Each hook's greatest force of all cases: together no less than what acts, and more only where a foot near a rail's
    # end lifts the hook beyond.
    assert area * 1000 * (1 - 1e-9) <= sum(h.uplift_N for h in plan.hooks) < 1.5 * area * 1000
    assert (800 * area + weight * c) * (1 - 1e-9) <= sum(h.down_N for h in plan.hooks) < 1.5 * (800 * area + weight * c)
    assert sum(h.downslope_N for h in plan.hooks) == pytest.approx(200 * area + weight * s, rel=1e-9)
    assert all(h.governs and h.use_percent > 0 for h in plan.hooks)
    assert all(r.moment_Nm > 0 and r.deflection_mm > 0 for r in plan.rails)
    assert "given with the lead" in plan.loads_screened
    bare = plan_of(array, where)
    assert all(math.isnan(h.uplift_N) and math.isnan(h.use_percent) and h.governs == "" for h in bare.hooks)
    assert "loads-not-screened" in {f.code for f in bare.findings}
    # The sag of the modules' weight needs no site data.
    assert max(f.load_sag_mm for f in bare.feet) > 0


def test_what_was_not_given_is_not_screened() -> None:
    """Snow alone says nothing of uplift."""
    site = SiteConfig(snow_rule="en_1991_1_3", ground_snow_Pa=1500)
    plan = plan_of(block(1, 3), site=site)
    assert all(math.isnan(h.uplift_N) and h.down_N >= 0 for h in plan.hooks)
    assert sum(h.down_N for h in plan.hooks) > 0


@pytest.mark.parametrize("rule", ["asce_7_16", "asce_7_22"])
def test_edges_carry_more_wind(rule: str) -> None:
    """By ASCE 7 hooks near verge and ridge are pulled more than those of the same rail's place inside."""
    site = SiteConfig(wind_rule=rule, wind_speed_m_s=50, terrain="C", height_m=5, least_width_m=10)
    where = surface(pattern(), pitch=15.0, width=20_000.0, depth=10_000.0)
    plan = plan_of(block(4, 15, u0=300.0), where, site=site)
    us = np.array([h.u_mm for h in plan.hooks])
    pulls = np.array([h.uplift_N for h in plan.hooks])
    assert pulls[us < 1000].mean() > 1.2 * pulls[(us > 6000) & (us < 14_000)].mean()
    assert "load-rule-partial" in {f.code for f in plan.findings}


def test_families_of_standards_are_not_mixed() -> None:
    whole = {"wind_rule": "asce_7_16", "wind_speed_m_s": 50, "terrain": "B", "height_m": 6, "least_width_m": 9}
    for wrong in (
        {**whole, "terrain": "II"}, {**whole, "least_width_m": None}, {**whole, "height_m": None},
        {**whole, "snow_rule": "en_1991_1_3", "ground_snow_Pa": 900}, {"snow_rule": "asce_7"},
    ):  # fmt: skip
        with pytest.raises(ValueError, match=r"needs|belong"):
            SiteConfig(**wrong)


def test_pressure_on_a_module_is_that_of_its_own_area_and_zone() -> None:
    """By ASCE 7-16 a module in a corner of the roof takes its zone's pressure at its own area, 0.6 W."""
    site = SiteConfig(wind_rule="asce_7_16", wind_speed_m_s=50, terrain="C", height_m=5, least_width_m=10)
    array = block(3, 4, u0=300.0, v0=300.0)
    where = surface(pattern(), pitch=15.0)
    loads = face_loads(site, where.face, grid_of(array, ModuleConfig(), HardwareConfig()))
    pressure, name = module_pressure_Pa(loads, grid_of(array, ModuleConfig(), HardwareConfig()))
    feet2 = 1.134 * 1.722 / 0.09290304
    q = asce_7_16.velocity_pressure_psf(50 * 3600 / 1609.344, asce_7_16.exposure_coefficient(5 / 0.3048, "C"))
    GC_p = asce_7_16.suction(15.0, "3e", feet2)
    by_hand = 0.6 * asce_7_16.panel_pressure_psf(q, GC_p, 1.5, asce_7_16.equalization(feet2)) * 47.880259
    assert pressure == pytest.approx(-by_hand, rel=1e-6)
    assert name == "A1-r1c1"


def test_empty_layout_gives_an_empty_plan() -> None:
    plan = place_supports(Layout((), ()), surfaces(), SupportsConfig(), (), ModuleConfig(), HardwareConfig(), SiteConfig())
    assert (plan.rails, plan.hooks, plan.feet, plan.cutting, plan.findings) == ((), (), (), (), ())
    assert plan.loads_screened.startswith("not screened")


def test_same_input_same_plan() -> None:
    one, two = plan_of(block(2, 5)), plan_of(block(2, 5))
    assert repr(one) == repr(two)
