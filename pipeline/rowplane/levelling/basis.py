"""From layout, supports and surfaces to what each array's levelling rests on."""

from __future__ import annotations

import math

import numpy as np

from rowplane.config import HardwareConfig, LevellingConfig, ModuleConfig
from rowplane.model import (
    Array,
    Foot,
    HeightField,
    Hook,
    Layout,
    LevelLimits,
    Module,
    ModuleArray,
    Rail,
    RecheckBasis,
    SupportPlan,
    Surface,
    Surfaces,
)

SLOPE_STEP_MM = 50.0
"""Half the base over which the substrate's slope is taken: well under a rafter spacing, well over the field's rounding."""

CLEAR_STEP_MM = 600.0
"""Greatest distance of clearance points under a module: a rafter spacing; the substrate bends over metres."""


def basis_of(
    layout: Layout,
    plan: SupportPlan,
    surfaces: Surfaces,
    levelling: LevellingConfig,
    hardware: HardwareConfig,
    module: ModuleConfig,
) -> tuple[RecheckBasis, ...]:
    """One basis per array that has feet, in the layout's order; an array without feet has none.

    Seat covariance: that of the survey's field at the hooks, hook scatter, and rafters that are not where they were said to
    be. Raises KeyError where an array's face has no surface.
    """
    limits = limits_of(levelling, hardware, module)
    found = []
    for array in layout.arrays:
        feet = tuple(f for f in plan.feet if f.array == array.id)
        rails = tuple(r for r in plan.rails if r.array == array.id)
        if feet and rails:
            hooks = {h.id: h for h in plan.hooks}
            ordered = tuple(hooks[i] for rail in rails for i in rail.hook_ids)
            found.append(_basis(array, feet, rails, ordered, surfaces.of(array.face), levelling, limits))
    return tuple(found)


def limits_of(levelling: LevellingConfig, hardware: HardwareConfig, module: ModuleConfig) -> LevelLimits:
    """The settings that levelling keeps to, out of the three sections that hold them."""
    settings = levelling.model_dump() | hardware.model_dump() | module.model_dump()
    settings["front_height_mm"] = float("nan") if levelling.front_height_mm is None else levelling.front_height_mm
    names = LevelLimits.__dataclass_fields__
    return LevelLimits(**{name: settings[name] for name in names})


def _basis(
    array: ModuleArray,
    feet: tuple[Foot, ...],
    rails: tuple[Rail, ...],
    hooks: tuple[Hook, ...],
    surface: Surface,
    levelling: LevellingConfig,
    limits: LevelLimits,
) -> RecheckBasis:
    hook_uv = np.array([(h.u_mm, h.v_mm) for h in hooks], dtype=float).reshape(-1, 2)
    field = surface.height
    slope = np.column_stack([slope_of(field, hook_uv, axis) for axis in (0, 1)])
    slope_cov = slope_covariance(field, hook_uv)
    clear_uv = clear_points(array.modules)
    nan = np.full(len(feet), np.nan)
    fold_v = fold_lines(array.modules) if limits.max_fold_mm > 0 else np.zeros(0)
    return RecheckBasis(
        array=array.id, face=array.face, revision=0, up=np.asarray(surface.face.frame.axes)[:, 2].astype(float),
        hook_ids=tuple(h.id for h in hooks), foot_ids=tuple(f.id for f in feet),
        mean_mm=np.array([h.seat_height_mm for h in hooks], dtype=float),
        covariance_mm2=_seat_covariance(hooks, field.covariance_mm2(hook_uv), slope[:, 0], slope_cov, levelling, limits),
        influence=_influence(feet, rails, hooks),
        hook_rails=tuple(h.rail for h in hooks), hook_u_mm=hook_uv[:, 0], hook_v_mm=hook_uv[:, 1],
        hook_slope=slope, hook_slope_sd=np.sqrt(np.maximum(np.diag(slope_cov), 0.0)),
        hook_packer_mm=np.zeros(len(hooks)), hooks_up=False,
        foot_rails=tuple(f.rail for f in feet),
        foot_lines=np.array([f.line for f in feet], dtype=np.int64), foot_runs=np.array([f.run for f in feet], dtype=np.int64),
        foot_u_mm=np.array([f.u_mm for f in feet], dtype=float), foot_v_mm=np.array([f.v_mm for f in feet], dtype=float),
        held=np.zeros(len(feet), dtype=bool), lift_mm=nan, packer_mm=nan.copy(), plane=np.full(3, np.nan),
        fold_v_mm=fold_v, folds=np.zeros(len(fold_v)),
        goals=(), goal_values=np.zeros((0, 2)), binding=(), rail_covariance_mm2=np.full((len(feet), len(feet)), np.nan),
        module_ids=tuple(m.id for m in array.modules),
        module_rows=np.array([m.row for m in array.modules], dtype=np.int64),
        module_columns=np.array([m.column for m in array.modules], dtype=np.int64),
        modules_mm=np.array([m.rect_mm for m in array.modules], dtype=float).reshape(-1, 4),
        clear_uv_mm=clear_uv, crown_mm=field.mean_mm(clear_uv) + surface.relief_crown_mm,
        crown_covariance_mm2=field.covariance_mm2(clear_uv, hook_uv), taken=(), limits=limits,
    )  # fmt: skip


def fold_lines(modules: tuple[Module, ...]) -> Array:
    """v `(r − 1,)` of the middle of the gap between every two neighbouring rows, mm."""
    rows = sorted({m.row for m in modules})
    tops = [max(m.rect_mm[3] for m in modules if m.row == row) for row in rows[:-1]]
    fronts = [min(m.rect_mm[1] for m in modules if m.row == row) for row in rows[1:]]
    return np.array([0.5 * (top + front) for top, front in zip(tops, fronts, strict=True)], dtype=float)


def clear_points(modules: tuple[Module, ...]) -> Array:
    """Points `(g, 2)` under every module, corners included, at most CLEAR_STEP_MM apart; `(0, 2)` without modules."""
    parts = [np.zeros((0, 2))]
    for module in modules:
        left, front, right, top = module.rect_mm
        u = np.linspace(left, right, int(np.ceil((right - left) / CLEAR_STEP_MM)) + 1)
        v = np.linspace(front, top, int(np.ceil((top - front) / CLEAR_STEP_MM)) + 1)
        parts.append(np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2))
    return np.concatenate(parts)


def slope_of(field: HeightField, uv_mm: Array, axis: int) -> Array:
    """Slope of the mean substrate along u (axis 0) or v (1) at points `(n, 2)`, mm per mm, by central difference."""
    step = np.zeros(2)
    step[axis] = SLOPE_STEP_MM
    return np.asarray((field.mean_mm(uv_mm + step) - field.mean_mm(uv_mm - step)) / (2 * SLOPE_STEP_MM))


def slope_covariance(field: HeightField, uv_mm: Array) -> Array:
    """Covariance `(n, n)` of the substrate's slope along u between the points, by the same central difference."""
    n = len(uv_mm)
    step = np.array([SLOPE_STEP_MM, 0.0])
    both = np.concatenate([uv_mm + step, uv_mm - step])
    joint = np.asarray(field.covariance_mm2(both), dtype=float)
    spread = joint[:n, :n] + joint[n:, n:] - joint[:n, n:] - joint[n:, :n]
    return np.asarray(spread / (2 * SLOPE_STEP_MM) ** 2)


def _seat_covariance(
    hooks: tuple[Hook, ...], field_cov: Array, slope_u: Array, slope_cov: Array, levelling: LevellingConfig, limits: LevelLimits
) -> Array:
    # All hooks of a rail stand on one rafter, so its miss δ ~ (0, τ²) moves them together and E[δ² g gᵀ] = τ² (m mᵀ + G)
    # for slopes g ~ N(m, G); between rails the misses are independent.
    tau = np.array([_miss_sd(hook, levelling) for hook in hooks])
    rail = np.array([hook.rail for hook in hooks])
    together = (rail[:, None] == rail[None, :]) * np.outer(tau, tau)
    cov = np.asarray(field_cov, dtype=float) + together * (np.outer(slope_u, slope_u) + slope_cov)
    cov = 0.5 * (cov + cov.T)
    return np.asarray(cov + limits.hook_seat_sd_mm**2 * np.eye(len(hooks)))


def _miss_sd(hook: Hook, levelling: LevellingConfig) -> float:
    """Standard deviation of a hook's sideways miss: uniform over what is allowed, or over what is not known."""
    known = levelling.rafter_tolerance_mm
    miss = min(known, hook.probe_mm) if hook.probe_mm > 0 else known
    return (levelling.unknown_rafter_mm if hook.find_rafter else miss) / math.sqrt(3.0)


def _influence(feet: tuple[Foot, ...], rails: tuple[Rail, ...], hooks: tuple[Hook, ...]) -> Array:
    """Rail top at every foot of the array from all its hook seats, `(f, h)`."""
    row = {foot.id: i for i, foot in enumerate(feet)}
    column = {hook.id: j for j, hook in enumerate(hooks)}
    whole = np.zeros((len(feet), len(hooks)))
    for rail in rails:
        rows = [row[i] for i in rail.foot_ids]
        columns = [column[i] for i in rail.hook_ids]
        whole[np.ix_(rows, columns)] = rail.influence
    return whole
