"""From the basis of one array to its plane and the number of every foot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy.linalg import block_diag

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
        return np.asarray(self.basis.lift_mm - _wanted(self.basis))

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
    """Height of the array plane at points, mm; folds in it."""
    bent = np.maximum(np.asarray(v_mm)[:, None] - basis.fold_v_mm, 0.0) @ basis.folds
    return np.asarray(basis.plane[0] + basis.plane[1] * u_mm + basis.plane[2] * v_mm + bent)


def groups_of(bases: tuple[RecheckBasis, ...]) -> list[list[int]]:
    """Indices of the arrays that share a plane: each its own, or all of a face where the settings ask for that."""
    groups: dict[str, list[int]] = {}
    for i, basis in enumerate(bases):
        groups.setdefault(f"face {basis.face}" if basis.limits.one_plane_per_face else basis.array, []).append(i)
    return list(groups.values())


def settle_all(bases: tuple[RecheckBasis, ...]) -> tuple[Solved, ...]:
    """Every array settled, those that share a plane together."""
    solved: dict[int, Solved] = {}
    for group in groups_of(bases):
        mine = tuple(bases[i] for i in group)
        solved |= zip(group, settle_together(mine, mine), strict=True)
    return tuple(solved[i] for i in range(len(bases)))


def settle_together(bases: tuple[RecheckBasis, ...], surveys: tuple[RecheckBasis, ...]) -> tuple[Solved, ...]:
    """Choose the plane that `bases` share and round every free foot to quarter turns; held feet keep what they have.

    `surveys` are the bases that are kept: the same where no readings are conditioned on.
    """
    whole = joined(bases)
    answer = solve(task_of(whole))
    plane, folds = _plane_of(whole, answer.x)
    first = (
        ("set feet and front edge off the plane", answer.held_miss, answer.held_miss),
        ("clearance and height given way", answer.given_way, answer.given_way),
    )
    goals = (*(goal for goal in first if goal[1] > 0), *answer.goals)
    at_feet = np.split(answer.foot_packer, np.cumsum([np.count_nonzero(~b.held) for b in bases])[:-1])
    at_hooks = np.split(answer.hook_packer, np.cumsum([0 if b.hooks_up else len(b.hook_ids) for b in bases])[:-1])
    done = []
    for basis, survey, foot, hook in zip(bases, surveys, at_feet, at_hooks, strict=True):
        packer = np.where(basis.held, basis.packer_mm, 0.0)
        packer[~basis.held] = foot
        hooks = basis.hook_packer_mm if basis.hooks_up else hook
        raised = hooks - basis.hook_packer_mm
        planed = replace(
            basis, mean_mm=basis.mean_mm + raised, hook_packer_mm=hooks, hooks_up=True, packer_mm=packer, plane=plane, folds=folds,
            goals=tuple(g[0] for g in goals), goal_values=np.array([g[1:] for g in goals], dtype=float).reshape(-1, 2),
        )  # fmt: skip
        done.append(_numbered(planed, replace(survey, mean_mm=survey.mean_mm + raised), answer))
    return tuple(done)


def resettle(bases: tuple[RecheckBasis, ...], surveys: tuple[RecheckBasis, ...]) -> tuple[Solved, ...]:
    """Numbers anew where the rails turned out to lie: on the plane as it was, or on the next one where that no longer works.

    The plane that the crew works to stays where it can, so that only the numbers over changed rails change; it follows the feet
    that are set by as little as they ask for. `surveys` are the bases that are kept.
    """
    plane, moved_mm = _followed(joined(bases))
    value = np.array([[moved_mm, moved_mm]])
    planed = tuple(replace(basis, plane=plane, goals=("plane moved",), goal_values=value) for basis in bases)
    if not _works(joined(planed)):
        return settle_together(bases, surveys)
    return tuple(_numbered(basis, survey, None) for basis, survey in zip(planed, surveys, strict=True))


def _numbered(basis: RecheckBasis, survey: RecheckBasis, answer: Answer | None) -> Solved:
    """The array with its plane chosen: lifts in quarter turns, and all that was chosen over the survey's own basis too."""
    wanted = _wanted(basis)
    lift = np.where(basis.held, basis.lift_mm, lift_of(quarter_turns(wanted, basis.limits), basis.limits))
    binding = () if answer is None else _binding(basis, wanted, answer)
    done = replace(basis, lift_mm=lift, binding=binding, rail_covariance_mm2=rail_covariance(basis))
    same = ("lift_mm", "packer_mm", "hook_packer_mm", "hooks_up", "plane", "folds", "goals", "goal_values", "binding",
            "rail_covariance_mm2")  # fmt: skip
    return Solved(done, replace(survey, **{name: getattr(done, name) for name in same}))


def _wanted(basis: RecheckBasis) -> Array:
    """Lift `(f,)` at which every seat would lie in the plane."""
    plane = plane_at(basis, basis.foot_u_mm, basis.foot_v_mm)
    return np.asarray(plane - basis.influence @ basis.mean_mm - basis.packer_mm)


def joined(bases: tuple[RecheckBasis, ...]) -> RecheckBasis:
    """Arrays that share a plane as one, as far as the choice of the plane goes: covariances are not joined."""
    if len(bases) == 1:
        return bases[0]

    names = ("mean_mm", "hook_packer_mm", "foot_u_mm", "foot_v_mm", "held", "lift_mm", "packer_mm", "modules_mm", "clear_uv_mm",
             "crown_mm")  # fmt: skip
    together: dict[str, Any] = {name: np.concatenate([getattr(basis, name) for basis in bases]) for name in names}
    return replace(
        bases[0], influence=block_diag(*(basis.influence for basis in bases)), fold_v_mm=np.zeros(0), folds=np.zeros(0),
        hook_ids=tuple(i for basis in bases for i in basis.hook_ids), foot_ids=tuple(i for basis in bases for i in basis.foot_ids),
        **together,
    )  # fmt: skip


def _followed(basis: RecheckBasis) -> tuple[Array, float]:
    """The plane moved by the least-squares plane through what the set feet miss, and its greatest move at a foot, mm.

    With one or two set feet the smallest such move (a ridge of 1e-6 does that and no more). No move where all miss by less than
    a quarter turn, which rounding alone explains.
    """
    place = np.column_stack([basis.foot_u_mm, basis.foot_v_mm])
    middle = place.mean(axis=0)
    rows = np.column_stack([np.ones(len(place)), (place - middle) / 1000])
    miss = (basis.lift_mm - _wanted(basis))[basis.held]
    if np.max(np.abs(miss), initial=0.0) <= basis.limits.thread_pitch_mm / 4:
        return basis.plane, 0.0
    set_rows = rows[basis.held]
    x = np.linalg.solve(set_rows.T @ set_rows + 1e-6 * np.eye(3), set_rows.T @ miss)
    slope = x[1:] / 1000
    return basis.plane + np.array([x[0] - slope @ middle, *slope]), float(np.max(np.abs(rows @ x)))


def _works(basis: RecheckBasis) -> bool:
    """Whether the basis's plane keeps tilt, clearance, greatest height, a given front edge, and every free foot within travel."""
    limits, wanted = basis.limits, _wanted(basis)[~basis.held]
    crowns = plane_at(basis, *basis.clear_uv_mm.T) - basis.crown_mm
    corners = plane_at(basis, *corners_of(basis).T)
    front, front_seat = _front_ends(basis)
    most = 0.0 if limits.hold_parallel else limits.max_tilt_mm
    return bool(
        np.all(tilts(basis) <= most + EXACT_MM)
        and np.all(crowns >= limits.min_clearance_mm - EXACT_MM)
        and np.all(corners <= limits.max_height_mm - limits.thickness_mm + EXACT_MM)
        and np.all(np.abs(plane_at(basis, *front.T) - front_seat) <= EXACT_MM)
        and np.all((wanted >= limits.lift_min_mm - EXACT_MM) & (wanted <= highest_lift(limits) + EXACT_MM))
    )


def rail_covariance(basis: RecheckBasis) -> Array:
    """Covariance `(f, f)`, mm², of the rail tops at the feet."""
    return np.asarray(basis.influence @ basis.covariance_mm2 @ basis.influence.T)


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
    lower, upper = _plane_bounds(basis)
    packers, pieces = packer_heights(limits.packers_mm)
    hooks = 0 if basis.hooks_up else len(basis.hook_ids)
    rows = plane_rows(basis, np.column_stack([basis.foot_u_mm, basis.foot_v_mm]))
    front, front_seat = _front_ends(basis)
    return Task(
        feet=rows[free], rail=rail[free], influence=basis.influence[free][:, :hooks],
        low=limits.lift_min_mm, high=highest_lift(limits), middle=0.5 * (limits.lift_min_mm + limits.lift_max_mm),
        crowns=plane_rows(basis, basis.clear_uv_mm), floor=basis.crown_mm + limits.min_clearance_mm,
        corners=plane_rows(basis, corners_of(basis)), ceiling=limits.max_height_mm - limits.thickness_mm,
        held=np.vstack([rows[~free], plane_rows(basis, front)]),
        held_seat=np.append((rail + basis.lift_mm + basis.packer_mm)[~free], front_seat),
        lower=lower, upper=upper, packers=packers, pieces=pieces,
    )  # fmt: skip


def corners_of(basis: RecheckBasis) -> Array:
    """Corners `(4 m, 2)` of the modules."""
    return np.asarray(basis.modules_mm[:, [0, 1, 2, 1, 2, 3, 0, 3]].reshape(-1, 2))


def _front_ends(basis: RecheckBasis) -> tuple[Array, Array]:
    """The front edge's two ends and their heights, where its height is given; they count like feet that are already set."""
    middle, half = extent(basis)
    if np.isnan(basis.limits.front_height_mm):
        return np.zeros((0, 2)), np.zeros(0)
    return middle + half * np.array([[-1.0, -1.0], [1.0, -1.0]]), np.full(2, basis.limits.front_height_mm)


def extent(basis: RecheckBasis) -> tuple[Array, Array]:
    """Middle `(2,)` and half extent `(2,)` of the array in u and v, mm: its modules, or its feet where it has none."""
    points = np.column_stack([basis.foot_u_mm, basis.foot_v_mm])
    if len(basis.modules_mm):
        points = basis.modules_mm.reshape(-1, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    return 0.5 * (low + high), np.maximum(0.5 * (high - low), 1.0)


def plane_rows(basis: RecheckBasis, uv_mm: Array) -> Array:
    """Rows `(n, 3 + r)` over x: height at the array's middle, rise over half its extent along u, along v, folds. All in mm.

    The plane is that through front and top edge; a fold is how far its line stands off the chord over the two rows it parts,
    folds beside it flat.
    """
    middle, half = extent(basis)
    front, top = middle[1] - half[1], middle[1] + half[1]
    v, at = uv_mm[:, 1][:, None], basis.fold_v_mm
    hinge = np.maximum(v - at, 0.0) - (top - at) * (v - front) / (top - front)
    return np.column_stack([np.ones(len(uv_mm)), (uv_mm - middle) / half, hinge * _bend_per_mm(basis)])


def _bend_per_mm(basis: RecheckBasis) -> Array:
    """Change of slope `(r,)` that puts each fold 1 mm off the chord over its two rows: (a + b) / (a b) for rows a and b long."""
    middle, half = extent(basis)
    ends = np.concatenate([[middle[1] - half[1]], basis.fold_v_mm, [middle[1] + half[1]]])
    lengths = np.diff(ends)
    return np.asarray(-(lengths[:-1] + lengths[1:]) / (lengths[:-1] * lengths[1:])) if len(basis.fold_v_mm) else np.zeros(0)


def fold_heights(basis: RecheckBasis) -> Array:
    """How far `(r,)` each fold stands off the chord over the two rows it parts, mm."""
    return np.asarray(basis.folds / _bend_per_mm(basis))


def _plane_of(basis: RecheckBasis, x: Array) -> tuple[Array, Array]:
    """The front row's plane and the folds behind it, of a solution."""
    middle, half = extent(basis)
    front, top = middle[1] - half[1], middle[1] + half[1]
    folds = x[3:] * _bend_per_mm(basis)
    slope, chord = x[1:3] / half, float(np.sum(folds * (top - basis.fold_v_mm)) / (top - front))
    return np.array([x[0] - slope @ middle + chord * front, slope[0], slope[1] - chord]), folds


def _plane_bounds(basis: RecheckBasis) -> tuple[Array, Array]:
    # The whole extent is two halves, so a tilt of max_tilt across it is half of that over one.
    tilt = 0.0 if basis.limits.hold_parallel else basis.limits.max_tilt_mm / 2
    upper = np.array([np.inf, tilt, tilt, *np.full(len(basis.fold_v_mm), basis.limits.max_fold_mm)])
    return -upper, upper


def tilts(basis: RecheckBasis) -> Array:
    """Rise `(2,)` of the plane against the face across the array's extent, along u and from front to top, without sign."""
    middle, half = extent(basis)
    ends = middle + half * np.array([[-1.0, -1.0], [1.0, -1.0], [-1.0, 1.0]])
    height = plane_at(basis, *ends.T)
    return np.asarray(np.abs(height[1:] - height[0]))


def _binding(basis: RecheckBasis, wanted: Array, answer: Answer) -> tuple[str, ...]:
    """Ids of the feet that hold the plane: at the end of travel, or at the greatest adjustment."""
    limits, free = basis.limits, ~basis.held
    greatest = {name: value for name, value, _ in answer.goals}.get("greatest adjustment", np.inf)
    size = np.abs(wanted - 0.5 * (limits.lift_min_mm + limits.lift_max_mm))
    end = (wanted <= limits.lift_min_mm + EXACT_MM) | (wanted >= highest_lift(limits) - EXACT_MM)
    held = free & (end | (size >= greatest - EXACT_MM))
    return tuple(basis.foot_ids[i] for i in np.flatnonzero(held))
