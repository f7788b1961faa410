"""From the chosen rails of one array to its hooks, feet and beams."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rowplane.config import HardwareConfig, ModuleConfig, SiteConfig
from rowplane.frames import pitch_deg
from rowplane.model import Array, Finding, Foot, Hook, Rail, Surface
from rowplane.supports.beam import N_MM2, Beam, beam_of, influence, solve
from rowplane.supports.columns import Column
from rowplane.supports.feet import Spot, kind_of, module_areas_m2, run_of, spots_of
from rowplane.supports.hooks import HookLimits, Seat, fewest, most_even, relaxed
from rowplane.supports.loads import GRAVITY, HookForces, direct_cases, hook_forces
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
    """Hooks and feet of the chosen rails, numbered left to right, then up the slope."""
    ordered = sorted(chosen.choice.options, key=lambda o: (chosen.columns[o.column].u_mm, o.first))
    triples = [(chosen.columns[o.column].u_mm, o.first, o.last) for o in ordered]
    spots = spots_of(ground.grid, triples)
    plans = []
    for k, option in enumerate(ordered):
        column = chosen.columns[option.column]
        ends = ground.ends_v(option.first, option.last)
        places = ground.seats(column.u_mm, ends)
        limits, cure = ground.hook_limits, None
        if fewest(places, ends, limits) is None:
            cure = relaxed(places, ends, limits)
            limits = cure or limits
        seats = most_even(places, ends, limits, fewest(places, ends, limits) or 2)
        own = tuple(s for s in spots if s.rail == k)
        name = f"{ground.grid.array.id}-R{k + 1}"
        plans.append(RailPlan(name, column, option.first, option.last, ends, seats, own, cure))
    return tuple(plans)


@dataclass(frozen=True)
class ArraySupports:
    """All supports of one array, splices still open."""

    rails: tuple[Rail, ...]
    hooks: tuple[Hook, ...]
    feet: tuple[Foot, ...]


def build_array(
    ground: Ground, chosen: RailSet, plans: Sequence[RailPlan], surface: Surface, module: ModuleConfig, site: SiteConfig
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
    for plan in plans:
        seats = np.array([next(heights) for _ in plan.seats])
        area = np.array([areas[s] for s in plan.spots])
        beam = rail_beam(plan, hardware)
        feet_v = np.array([s.v_mm for s in plan.spots])
        matrix = influence(beam, feet_v)
        weight = area * per_m2 * GRAVITY * math.cos(pitch)
        seated = solve(beam, seats_mm=seats).reaction_N
        forces = hook_forces(direct_cases(site, len(feet_v)), matrix, area, area * per_m2, pitch, seated)
        names = tuple(f"{plan.id}-H{k + 1}" for k in range(len(seats)))
        hooks += _hooks(plan, names, seats, forces, ground, chosen)
        own = _feet(plan, grid, surface.face.id, sag_mm(beam, feet_v, weight), chosen)
        feet += own
        column = plan.column
        rails.append(
            Rail(
                plan.id, grid.array.id, surface.face.id, column.rafter.name if column.rafter else "", column.u_mm,
                *plan.ends_mm, names, tuple(f.id for f in own), matrix, (), (),
            )  # fmt: skip
        )
    return ArraySupports(tuple(rails), tuple(hooks), tuple(feet))


def rail_beam(plan: RailPlan, hardware: HardwareConfig) -> Beam:
    """The rail on its hooks; feet are no nodes, so that a foot close to a hook costs no accuracy."""
    seats = np.array([s.v_mm for s in plan.seats])
    return beam_of(plan.ends_mm, seats, np.zeros(0), hardware.rail_EI_Nm2 * N_MM2, hardware.hook_stiffness_N_mm)


def sag_mm(beam: Beam, feet_mm: Array, load_N: Array) -> Array:
    """How far the rail sinks at every foot under loads at the feet `(feet,)`; negative where an overhang rises."""
    hooks = beam.v_mm[list(beam.hooks)]
    # A foot within a finger's width of a hook is taken as on it: a shorter element would only cost digits.
    near = np.abs(feet_mm[:, None] - hooks[None, :])
    snapped = np.where(near.min(axis=1) < 2.0, hooks[near.argmin(axis=1)], feet_mm)
    fine = beam_of((beam.v_mm[0], beam.v_mm[-1]), hooks, snapped, beam.EI_Nmm2, beam.stiffness_N_mm)
    at = np.searchsorted(fine.v_mm, snapped - 1e-6)
    load = np.zeros(len(fine.v_mm))
    np.add.at(load, at, load_N)
    return np.asarray(-solve(fine, point_N=load).w_mm[at])


def _hooks(
    plan: RailPlan, names: Sequence[str], heights: Array, forces: HookForces, ground: Ground, chosen: RailSet
) -> list[Hook]:
    column, hardware = plan.column, ground.hardware
    v = [s.v_mm for s in plan.seats]
    spans = [b - a for a, b in zip(v, v[1:], strict=False)]
    longer = [max(spans[max(k - 1, 0) : k + 1]) for k in range(len(v))]
    off = abs(column.u_mm - column.rafter.u_mm) if column.rafter else 0.0
    return [
        Hook(
            name, plan.id, column.rafter.name if column.rafter else "", seat.course, column.pan, column.u_mm, seat.v_mm,
            float(height), span, column.rafter is None, max(0.0, hardware.hook_reach_mm - off), float(forces.uplift_N[k]),
            float(forces.down_N[k]), float(forces.downslope_N[k]), math.nan, "", _hook_note(plan, seat, ground, chosen),
        )  # fmt: skip
        for k, (name, seat, height, span) in enumerate(zip(names, plan.seats, heights, longer, strict=True))
    ]


def _hook_note(plan: RailPlan, seat: Seat, ground: Ground, chosen: RailSet) -> str:
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
            f"{grid.array.id}-{spot.line}-{number}", grid.array.id, face, spot.line, run_of(grid, spot), plan.id,
            kind_of(grid, spot), spot.u_mm, spot.v_mm, float(sag), note,
        )  # fmt: skip
        for spot, sag in zip(plan.spots, sags, strict=True)
    ]
