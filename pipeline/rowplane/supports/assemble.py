"""From the chosen rails of one array to its hooks, feet and beams."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rowplane.columns import Column
from rowplane.config import HardwareConfig, ModuleConfig, SiteConfig
from rowplane.frames import pitch_deg
from rowplane.model import Array, Foot, Hook, Rail, Surface
from rowplane.supports.beam import N_MM2, Beam, beam_of, greatest_moment_Nmm, influence, sag_share, shape_mm, solve
from rowplane.supports.check import hook_use
from rowplane.supports.feet import Spot, kind_of, module_areas_m2, run_of, spots_of
from rowplane.supports.grid import Grid
from rowplane.supports.hooks import HookLimits, Seat, fewest, most_even, relaxed
from rowplane.supports.loads import GRAVITY, HookForces, hook_forces
from rowplane.supports.pressures import FaceLoads
from rowplane.supports.rails import Ground, RailSet


@dataclass(frozen=True)
class RailPlan:
    """One rail with all it carries: ends, seats, feet, beam, and what had to be relaxed for its hooks (or '')."""

    id: str
    column: Column
    first: int
    last: int
    ends_mm: tuple[float, float]
    seats: tuple[Seat, ...]
    spots: tuple[Spot, ...]
    relaxed: HookLimits | None


def plan_rails(ground: Ground, chosen: RailSet) -> tuple[RailPlan, ...]:
    """Hooks and feet of the chosen rails, numbered left to right, then up the slope.

    Staggered, a rail's hooks keep off the courses of the rail before, as far as that takes no more hooks.
    """
    ordered = sorted(chosen.choice.options, key=lambda o: (chosen.columns[o.column].u_mm, o.first))
    triples = [(chosen.columns[o.column].u_mm, o.first, o.last) for o in ordered]
    spots = spots_of(ground.grid, triples)
    plans: list[RailPlan] = []
    for k, option in enumerate(ordered):
        column = chosen.columns[option.column]
        ends = ground.ends_v(option.first, option.last)
        places = ground.seats(column.u_mm, ends)
        limits, cure = ground.hook_limits, None
        if fewest(places, ends, limits) is None:
            cure = relaxed(places, ends, limits)
            limits = cure or limits
        count = fewest(places, ends, limits) or 2
        if plans and ground.supports.stagger:
            places = _keeping_off(places, plans[-1].seats, ends, limits, count)
        seats = most_even(places, ends, limits, count)
        own = tuple(s for s in spots if s.rail == k)
        name = f"{ground.grid.array.id}-R{k + 1}"
        plans.append(RailPlan(name, column, option.first, option.last, ends, seats, own, cure))
    return tuple(plans)


def _keeping_off(
    places: tuple[Seat, ...], taken: Sequence[Seat], ends: tuple[float, float], limits: HookLimits, count: int
) -> tuple[Seat, ...]:
    """`places` without the courses of `taken` (without the same v, where courses are not known), as far as `count` hooks let them."""
    for other in taken:
        same = [s.course == other.course if s.course else abs(s.v_mm - other.v_mm) < 1.0 for s in places]
        fewer = tuple(s for s, is_same in zip(places, same, strict=True) if not is_same)
        if most_even(fewer, ends, limits, count):
            places = fewer
    return places


@dataclass(frozen=True)
class ArraySupports:
    """All supports of one array, splices still open; `sag_shares` `(rails,)` as UnderLoad says, NaN where not screened."""

    rails: tuple[Rail, ...]
    hooks: tuple[Hook, ...]
    feet: tuple[Foot, ...]
    sag_shares: tuple[float, ...] = ()


def build_array(
    ground: Ground,
    chosen: RailSet,
    plans: Sequence[RailPlan],
    surface: Surface,
    module: ModuleConfig,
    site: SiteConfig,
    loads: FaceLoads,
) -> ArraySupports:
    """Rails with their influence, hooks with seats and forces, feet with sag under the modules' weight."""
    grid, hardware = ground.grid, ground.hardware
    every = tuple(s for p in plans for s in p.spots)
    areas = dict(zip(every, module_areas_m2(grid, every), strict=True))
    per_m2 = module.mass_kg / (grid.array.along_u_mm * grid.array.along_v_mm / 1e6)
    pitch = math.radians(pitch_deg(surface.face.frame))
    places = np.array([(p.column.u_mm, s.v_mm) for p in plans for s in p.seats])
    heights = iter(surface.height.mean_mm(places) + hardware.build_up_mm)
    rails: list[Rail] = []
    hooks: list[Hook] = []
    feet: list[Foot] = []
    shares: list[float] = []
    for plan in plans:
        seats = np.array([next(heights) for _ in plan.seats])
        area = np.array([areas[s] for s in plan.spots])
        beam = rail_beam(plan, hardware)
        feet_v = np.array([s.v_mm for s in plan.spots])
        matrix = influence(beam, feet_v)
        seated = solve(beam, seats_mm=seats).reaction_N
        forces = hook_forces(loads.cases(plan.spots, area, matrix), matrix, area, area * per_m2, pitch, seated)
        resting = under_load(beam, feet_v, area * per_m2 * GRAVITY * math.cos(pitch))
        loaded = [under_load(beam, feet_v, load) for load in forces.foot_N]
        own_hooks = _hooks(plan, seats, forces, ground, site)
        own_feet = _feet(plan, grid, surface.face.id, resting.sag_mm, chosen)
        hooks += own_hooks
        feet += own_feet
        shares.append(max((s.sag_share for s in loaded), default=math.nan))
        rails.append(_rail(plan, grid.array.id, surface.face.id, own_hooks, own_feet, matrix, loaded))
    return ArraySupports(tuple(rails), tuple(hooks), tuple(feet), tuple(shares))


def rail_beam(plan: RailPlan, hardware: HardwareConfig) -> Beam:
    """The rail on its hooks; feet are no nodes, so that a foot close to a hook costs no accuracy."""
    seats = np.array([s.v_mm for s in plan.seats])
    return beam_of(plan.ends_mm, seats, np.zeros(0), hardware.rail_EI_Nm2 * N_MM2, hardware.hook_stiffness_N_mm)


@dataclass(frozen=True)
class UnderLoad:
    """A rail under loads at its feet: how far it sinks there `(feet,)`, greatest moment, greatest deflection anywhere, and as
    a share of its length."""

    sag_mm: Array
    moment_Nm: float
    deflection_mm: float
    sag_share: float


def under_load(beam: Beam, feet_mm: Array, load_N: Array) -> UnderLoad:
    """State of a rail on hooks at rest under loads at the feet `(feet,)`; sag is negative where an overhang rises."""
    hooks = beam.v_mm[list(beam.hooks)]
    # A foot within a finger's width of a hook is taken as on it: a shorter element would only cost digits.
    near = np.abs(feet_mm[:, None] - hooks[None, :])
    snapped = np.where(near.min(axis=1) < 2.0, hooks[near.argmin(axis=1)], feet_mm)
    fine = beam_of((float(beam.v_mm[0]), float(beam.v_mm[-1])), hooks, snapped, beam.EI_Nmm2, beam.stiffness_N_mm)
    at = np.searchsorted(fine.v_mm, snapped - 1e-6)
    load = np.zeros(len(fine.v_mm))
    np.add.at(load, at, load_N)
    state = solve(fine, point_N=load)
    anywhere = shape_mm(fine, state, np.linspace(fine.v_mm[0], fine.v_mm[-1], 201))
    bent = greatest_moment_Nmm(fine, state) / 1000.0
    return UnderLoad(-state.w_mm[at], bent, float(np.abs(anywhere).max()), sag_share(fine, state))


def _rail(
    plan: RailPlan, array: str, face: str, hooks: Sequence[Hook], feet: Sequence[Foot], matrix: Array, loaded: Sequence[UnderLoad]
) -> Rail:
    return Rail(
        plan.id,
        array,
        face,
        plan.column.rafter.name if plan.column.rafter else "",
        plan.column.u_mm,
        *plan.ends_mm,
        tuple(h.id for h in hooks),
        tuple(f.id for f in feet),
        matrix,
        (),
        (),
        max((s.moment_Nm for s in loaded), default=math.nan),
        max((s.deflection_mm for s in loaded), default=math.nan),
    )


def _hooks(plan: RailPlan, heights: Array, forces: HookForces, ground: Ground, site: SiteConfig) -> list[Hook]:
    rafter, u, hardware = plan.column.rafter, plan.column.u_mm, ground.hardware
    v = [s.v_mm for s in plan.seats]
    spans = [b - a for a, b in itertools.pairwise(v)]
    miss = hardware.hook_reach_mm - (abs(u - rafter.u_mm) if rafter else 0.0)
    hooks = []
    for k, seat in enumerate(plan.seats):
        three = (float(forces.uplift_N[k]), float(forces.down_N[k]), float(forces.downslope_N[k]))
        use, governs = hook_use(*three, hardware, site)
        hooks.append(
            Hook(
                f"{plan.id}-H{k + 1}",
                plan.id,
                rafter.name if rafter else "",
                seat.course,
                plan.column.pan,
                u,
                seat.v_mm,
                float(heights[k]),
                max(spans[max(k - 1, 0) : k + 1]),
                rafter is None,
                max(0.0, miss),
                *three,
                use,
                governs,
                _hook_note(plan, seat, ground),
            )
        )
    return hooks


def _hook_note(plan: RailPlan, seat: Seat, ground: Ground) -> str:
    """What the crew needs at this hook, and what it breaks."""
    column, hardware = plan.column, ground.hardware
    words = []
    if column.rafter is None:
        words.append("find rafter")
    else:
        reach = hardware.hook_reach_mm - abs(column.u_mm - column.rafter.u_mm)
        if reach < 0:
            words.append(f"arm {-reach:.0f} mm beyond the hook's reach")
        elif reach < column.rafter.tolerance_mm:
            words.append(f"rafter known to ±{column.rafter.tolerance_mm:.0f} mm only")
    words.append(f"pilot hole {hardware.pilot_hole_mm:g} mm, {hardware.screw_thread_mm:.0f} mm deep")
    if ground.pattern is not None and column.pan:
        side = column.u_mm - float(ground.pattern.pan_mm(column.pan, seat.v_mm))
        place = "in the middle" if abs(side) < 2 else f"{abs(side):.0f} mm {'right' if side > 0 else 'left'} of the middle"
        words.append(f"notch {place} of the pan")
    if plan.relaxed is not None:
        words.append("span or overhang beyond its limit")
    return "; ".join(words)


def _feet(plan: RailPlan, grid: Grid, face: str, sags: Array, chosen: RailSet) -> list[Foot]:
    number = plan.id.rsplit("-R", 1)[1]
    note = f"layout needs {chosen.cures[0]}" if chosen.cures else ""
    return [
        Foot(
            f"{grid.array.id}-{spot.line}-{number}",
            grid.array.id,
            face,
            spot.line,
            run_of(grid, spot),
            plan.id,
            kind_of(grid, spot),
            spot.u_mm,
            spot.v_mm,
            float(sag),
            note,
        )
        for spot, sag in zip(plan.spots, sags, strict=True)
    ]
