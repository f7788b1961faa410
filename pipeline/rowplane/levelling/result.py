"""From solved arrays to the nouns that travel on: settings, planes, strings, measures and findings."""

from __future__ import annotations

import numpy as np

from rowplane.findings import finding
from rowplane.levelling.glance import Glance, glance_of
from rowplane.levelling.measure import measures_of
from rowplane.levelling.setting import Solved, corners_of, fold_heights, lift_of, plane_at, quarter_turns, tilts
from rowplane.levelling.sigma import Z95, doubtful, hook_sigma, probability_within, seat_sigma
from rowplane.levelling.string_line import Strung, string_gaps, string_runs, strings_of
from rowplane.model import (
    ArrayPlane,
    Finding,
    FootSetting,
    HookSetting,
    Levelling,
    Measure,
    Reach,
    RecheckBasis,
    StringRun,
    Wish,
)


def levelling_of(
    solved: tuple[Solved, ...], notes: dict[str, str], wishes: tuple[Wish, ...] = (), findings: tuple[Finding, ...] = ()
) -> Levelling:
    """All arrays as one Levelling; `notes` per foot id are printed beside its number."""
    feet: list[FootSetting] = []
    hooks: list[HookSetting] = []
    planes: list[ArrayPlane] = []
    strings: list[StringRun] = []
    measures: list[Measure] = []
    found = list(findings)
    for one in solved:
        strung = strings_of(one.basis)
        sigma = seat_sigma(one.basis)
        glance = glance_of(one.basis, one.off_mm)
        feet += _foot_settings(one, sigma, strung, notes)
        hooks += _hook_settings(one)
        planes.append(_array_plane(one, glance))
        strings += string_runs(one.basis, strung)
        listed = measures_of(one.basis, strung)
        measures += listed
        found += _findings(one, sigma, glance, strung, len(listed))
    bases = tuple(one.kept for one in solved)
    return Levelling(tuple(feet), tuple(hooks), tuple(planes), tuple(strings), tuple(measures), bases, wishes, tuple(found))


def _foot_settings(one: Solved, sigma: np.ndarray, strung: tuple[Strung, ...], notes: dict[str, str]) -> list[FootSetting]:
    basis, limits = one.basis, one.basis.limits
    gaps = string_gaps(basis, strung, basis.lift_mm + basis.packer_mm)
    middle = 0.5 * (limits.lift_min_mm + limits.lift_max_mm)
    doubt = doubtful(basis, sigma)
    supported = {int(f) for s in strung if s.advice == "mid support" for f in s.supports[1:-1]}
    turns = quarter_turns(basis.lift_mm, limits)
    lifts = lift_of(turns, limits)
    rows = []
    for i, foot in enumerate(basis.foot_ids):
        reach: Reach = "out-of-reach" if one.shortfall_mm[i] > 0 else "packer" if basis.packer_mm[i] > 0 else "ok"
        words = [notes.get(foot, "")]
        if reach == "out-of-reach":
            words.append(f"{one.shortfall_mm[i]:.1f} mm short of the array plane")
        if i in supported:
            words.append("mid support of the string: set with a laser or level first")
        rows.append(
            FootSetting(
                foot, float(one.rail_mm[i]), float(lifts[i]), float(lifts[i] - middle), float(turns[i]),
                float(basis.packer_mm[i]), float(sigma[i]), float(gaps[i]), reach, "measure" if doubt[i] else "ok",
                "; ".join(w for w in words if w),
            )
        )  # fmt: skip
    return rows


def _hook_settings(one: Solved) -> list[HookSetting]:
    basis, sigma = one.basis, hook_sigma(one.basis)
    doubt = doubtful(basis, sigma)
    return [
        HookSetting(
            hook, float(basis.mean_mm[j]), float(basis.hook_packer_mm[j]), float(sigma[j]), "measure" if doubt[j] else "ok"
        )
        for j, hook in enumerate(basis.hook_ids)
    ]


def _array_plane(one: Solved, glance: Glance) -> ArrayPlane:
    basis = one.basis
    clear = plane_at(basis, basis.clear_uv_mm[:, 0], basis.clear_uv_mm[:, 1]) - basis.crown_mm
    corners = corners_of(basis)
    tops = plane_at(basis, corners[:, 0], corners[:, 1]) + basis.limits.thickness_mm
    return ArrayPlane(
        array=basis.array, height_mm=float(basis.plane[0]), slope_u=float(basis.plane[1]), slope_v=float(basis.plane[2]),
        solved=not np.any(one.shortfall_mm > 0) and one.goal("clearance and height given way") == 0,
        objective=tuple(zip(basis.goals, basis.goal_values[:, 0].tolist(), strict=True)),
        bounds=tuple(zip(basis.goals, basis.goal_values[:, 1].tolist(), strict=True)), binding=basis.binding,
        tilt_mm=float(np.max(tilts(basis))),
        clearance_mm=float(np.min(clear, initial=np.inf)) if len(clear) else float("nan"),
        highest_mm=float(np.max(tops)) if len(tops) else float("nan"),
        worst_step_mm=glance.step_mm, worst_kink_mm=glance.kink_mm, worst_twist_mm=glance.twist_mm,
        probability=probability_within(basis, one.off_mm), folds=_folds(basis),
    )  # fmt: skip


def _folds(basis: RecheckBasis) -> tuple[tuple[float, float], ...]:
    return tuple((float(v), float(bend)) for v, bend in zip(basis.fold_v_mm, basis.folds, strict=True) if bend != 0)


def _findings(one: Solved, sigma: np.ndarray, glance: Glance, strung: tuple[Strung, ...], listed: int) -> list[Finding]:
    basis, limits, name = one.basis, one.basis.limits, f"array {one.basis.array}"
    found = []
    feet, hooks = int(np.count_nonzero(basis.packer_mm)), int(np.count_nonzero(basis.hook_packer_mm))
    if feet or hooks:
        found.append(finding("packers-needed", name, f"{feet} feet and {hooks} hooks need packers.", feet + hooks))
    if folds := _folds(basis):
        off = fold_heights(basis)
        at = int(np.argmax(np.abs(off)))
        text = (
            f"One plane does not work: {len(folds)} folds between rows, the greatest {off[at]:+.1f} mm off the chord at "
            f"{basis.fold_v_mm[at]:.0f} mm up the slope."
        )
        found.append(finding("rows-folded", name, text, float(np.abs(off[at])), limits.max_fold_mm, "mm"))
    for goal, (value, bound) in zip(basis.goals, basis.goal_values.tolist(), strict=True):
        if value - bound > 1e-4 * max(1.0, abs(value)):
            text = f"{goal}: {value:.3f} found, not less than {bound:.3f} proved."
            found.append(finding("plane-not-proved", name, text, value, bound))
    if (doubt := int(np.count_nonzero(doubtful(basis, sigma)))) > 0:
        worst = float(Z95 * sigma.max())
        text = (
            f"{doubt} of {len(sigma)} feet may end more than {limits.tolerance_mm:g} mm off the plane "
            f"(95 %: {worst:.1f} mm); {listed} points to measure."
        )
        found.append(finding("feet-to-measure", name, text, worst, limits.tolerance_mm, "mm"))
    return found + _glance_findings(one, glance) + _string_findings(name, strung)


def _glance_findings(one: Solved, glance: Glance) -> list[Finding]:
    limits, name = one.basis.limits, f"array {one.basis.array}"
    figures = (
        ("step at the seam of", glance.step_mm, limits.max_step_mm, glance.step_at),
        ("kink at the seam of", glance.kink_mm, limits.max_kink_mm, glance.kink_at),
        ("twist of", glance.twist_mm, limits.max_twist_mm, glance.twist_at),
    )
    return [
        finding("glance-limit", name, f"A {what} {at}: {value:.1f} mm expected, {limit:g} mm allowed.", value, limit, "mm")
        for what, value, limit, at in figures
        if value > limit
    ]


def _string_findings(name: str, strung: tuple[Strung, ...]) -> list[Finding]:
    return [
        finding(
            "string-too-long", f"{name}, line {s.line}",
            f"A string over {s.length_mm / 1000:.1f} m sags {s.mid_sag_mm:.1f} mm: use a {s.advice}.", s.length_mm, None, "mm",
        )
        for s in strung
        if s.advice != "string"
    ]  # fmt: skip
