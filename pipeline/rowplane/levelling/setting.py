"""From the basis of one array to its plane and the number of every foot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from rowplane.levelling.program import Answer, Task, solve
from rowplane.model import Array, LevelLimits, RecheckBasis

EXACT_MM = 1e-4
"""Below this two heights are the same: the solver's rounding, far under a quarter turn."""


@dataclass(frozen=True)
class Solved:
    """One array with its numbers: `basis` as solved (readings conditioned on), `kept` the same numbers over the survey's own.

    `plane` of the basis `(3,)` height, slope_u, slope_v; lifts of free feet are whole quarter turns.
    """

    basis: RecheckBasis
    kept: RecheckBasis

    @cached_property
    def rail_mm(self) -> Array:
        """Rail tops at the feet `(f,)` over the face plane, hook packers in."""
        return np.asarray(self.basis.influence @ self.basis.mean_mm)

    @cached_property
    def off_mm(self) -> Array:
        """Distance `(f,)` of every expected seat from the array plane: rounding, shortfall, and feet that were set before."""
        basis = self.basis
        plane = plane_at(basis, basis.foot_u_mm, basis.foot_v_mm)
        return np.asarray(self.rail_mm + basis.lift_mm + basis.packer_mm - plane)

    @cached_property
    def shortfall_mm(self) -> Array:
        """How far `(f,)` the plane lies beyond travel and packers; 0 within, and for feet that are set and stay."""
        wanted = self.basis.lift_mm - self.off_mm
        low, high = self.basis.limits.lift_min_mm, highest_lift(self.basis.limits)
        short = np.maximum(np.maximum(low - wanted, wanted - high), 0.0)
        return np.where((short > EXACT_MM) & ~self.basis.held, short, 0.0)

    def goal(self, name: str) -> float:
        """Value of a goal met, 0 where it was not asked for."""
        return float(self.basis.goal_values[self.basis.goals.index(name), 0]) if name in self.basis.goals else 0.0


def plane_at(basis: RecheckBasis, u_mm: Array, v_mm: Array) -> Array:
    """Height of the array plane at points, mm."""
    return np.asarray(basis.plane[0] + basis.plane[1] * u_mm + basis.plane[2] * v_mm)


def settle(basis: RecheckBasis, survey: RecheckBasis | None = None) -> Solved:
    """Choose the plane and round every free foot to quarter turns; held feet keep what they have.

    `survey` is the basis that is kept, where `basis` has readings conditioned on.
    """
    answer = solve(task_of(basis))
    hook_packer = basis.hook_packer_mm if basis.hooks_up else answer.hook_packer
    raised = hook_packer - basis.hook_packer_mm
    rail = basis.influence @ (basis.mean_mm + raised)
    plane = _plane_of(basis, answer.x)
    free = ~basis.held
    packer = np.where(free, 0.0, basis.packer_mm)
    packer[free] = answer.foot_packer
    wanted = plane[0] + plane[1] * basis.foot_u_mm + plane[2] * basis.foot_v_mm - rail - packer
    lift = np.where(free, lift_of(quarter_turns(wanted, basis.limits), basis.limits), basis.lift_mm)
    first = (
        ("set feet and front edge off the plane", answer.held_miss, answer.held_miss),
        ("clearance and height given way", answer.given_way, answer.given_way),
    )
    goals = (*(goal for goal in first if goal[1] > 0), *answer.goals)

    def numbered(kind: RecheckBasis) -> RecheckBasis:
        return replace(
            kind, mean_mm=kind.mean_mm + raised, hook_packer_mm=hook_packer, hooks_up=True, lift_mm=lift, packer_mm=packer,
            plane=plane, goals=tuple(g[0] for g in goals), goal_values=np.array([g[1:] for g in goals], dtype=float).reshape(-1, 2),
            binding=_binding(basis, wanted, answer),
        )  # fmt: skip

    return Solved(numbered(basis), numbered(survey or basis))


def quarter_turns(lift_mm: Array | float, limits: LevelLimits) -> Array:
    """Turns from fully down, to the nearest quarter (halves up), kept within travel."""
    quarters = np.floor((np.asarray(lift_mm) - limits.lift_min_mm) / limits.thread_pitch_mm * 4 + 0.5)
    return np.asarray(np.clip(quarters, 0, _most_quarters(limits)) / 4)


def lift_of(turns: Array | float, limits: LevelLimits) -> Array:
    """Lift at a number of turns from fully down, mm."""
    return np.asarray(limits.lift_min_mm + np.asarray(turns) * limits.thread_pitch_mm)


def highest_lift(limits: LevelLimits) -> float:
    """Lift at the last quarter turn within travel: what the table can write, at most a quarter turn under lift_max_mm."""
    return limits.lift_min_mm + _most_quarters(limits) / 4 * limits.thread_pitch_mm


def _most_quarters(limits: LevelLimits) -> int:
    return int(np.floor((limits.lift_max_mm - limits.lift_min_mm) / limits.thread_pitch_mm * 4 + 1e-9))


def packer_heights(packers_mm: tuple[float, ...]) -> tuple[Array, Array]:
    """Every height that one packer or a stack of two gives, with the fewest pieces for it; ascending, none left out."""
    pieces: dict[float, int] = {}
    for one in packers_mm:
        for two in packers_mm:
            pieces.setdefault(round(one + two, 6), 2)
    pieces |= {round(one, 6): 1 for one in packers_mm}
    heights = sorted(pieces)
    return np.array(heights, dtype=float), np.array([pieces[h] for h in heights], dtype=float)


def task_of(basis: RecheckBasis) -> Task:
    """The array's plane problem in the scaled frame of `program.Task`."""
    limits = basis.limits
    free, rail = ~basis.held, basis.influence @ basis.mean_mm
    corners = basis.modules_mm[:, [0, 1, 2, 1, 2, 3, 0, 3]].reshape(-1, 2)
    lower, upper = _plane_bounds(basis)
    packers, pieces = packer_heights(limits.packers_mm)
    hooks = 0 if basis.hooks_up else len(basis.hook_ids)
    rows = plane_rows(basis, np.column_stack([basis.foot_u_mm, basis.foot_v_mm]))
    front, front_seat = _front(basis)
    return Task(
        feet=rows[free], rail=rail[free], influence=basis.influence[free][:, :hooks],
        low=limits.lift_min_mm, high=highest_lift(limits), middle=0.5 * (limits.lift_min_mm + limits.lift_max_mm),
        crowns=plane_rows(basis, basis.clear_uv_mm), floor=basis.crown_mm + limits.min_clearance_mm,
        corners=plane_rows(basis, corners), ceiling=limits.max_height_mm - limits.thickness_mm,
        held=np.vstack([rows[~free], front]), held_seat=np.append((rail + basis.lift_mm + basis.packer_mm)[~free], front_seat),
        lower=lower, upper=upper, packers=packers, pieces=pieces,
    )  # fmt: skip


def _front(basis: RecheckBasis) -> tuple[Array, Array]:
    """Rows and heights of the front edge's two ends, where its height is given; like feet that are already set."""
    middle, half = extent(basis)
    if np.isnan(basis.limits.front_height_mm):
        return np.zeros((0, 3)), np.zeros(0)
    ends = middle + half * np.array([[-1.0, -1.0], [1.0, -1.0]])
    return plane_rows(basis, ends), np.full(2, basis.limits.front_height_mm)


def extent(basis: RecheckBasis) -> tuple[Array, Array]:
    """Middle `(2,)` and half extent `(2,)` of the array in u and v, mm: its modules, or its feet where it has none."""
    points = np.column_stack([basis.foot_u_mm, basis.foot_v_mm])
    if len(basis.modules_mm):
        points = basis.modules_mm.reshape(-1, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    return 0.5 * (low + high), np.maximum(0.5 * (high - low), 1.0)


def plane_rows(basis: RecheckBasis, uv_mm: Array) -> Array:
    """Rows `(n, 3)` over x: height at the array's middle, rise over half its extent along u, along v. All three in mm."""
    middle, half = extent(basis)
    return np.column_stack([np.ones(len(uv_mm)), (uv_mm - middle) / half])


def _plane_of(basis: RecheckBasis, x: Array) -> Array:
    middle, half = extent(basis)
    slope = x[1:] / half
    return np.array([x[0] - slope @ middle, slope[0], slope[1]])


def _plane_bounds(basis: RecheckBasis) -> tuple[Array, Array]:
    # The whole extent is two halves, so a tilt of max_tilt across it is half of that over one.
    tilt = 0.0 if basis.limits.hold_parallel else basis.limits.max_tilt_mm / 2
    upper = np.array([np.inf, tilt, tilt])
    return -upper, upper


def _binding(basis: RecheckBasis, wanted: Array, answer: Answer) -> tuple[str, ...]:
    """Ids of the feet that hold the plane: at the end of travel, or at the greatest adjustment."""
    limits, free = basis.limits, ~basis.held
    greatest = {name: value for name, value, _ in answer.goals}.get("greatest adjustment", np.inf)
    size = np.abs(wanted - 0.5 * (limits.lift_min_mm + limits.lift_max_mm))
    end = (wanted <= limits.lift_min_mm + EXACT_MM) | (wanted >= highest_lift(limits) - EXACT_MM)
    held = free & (end | (size >= greatest - EXACT_MM))
    return tuple(basis.foot_ids[i] for i in np.flatnonzero(held))
