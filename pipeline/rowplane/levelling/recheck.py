"""Field readings in, updated numbers out: judged, conditioned on, the plane chosen anew for what is not yet set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rowplane.findings import finding
from rowplane.levelling.condition import AS_SAID, conditioned, evidence_of, likely_erred, standing
from rowplane.levelling.cures import cures_of
from rowplane.levelling.readings import judge
from rowplane.levelling.result import levelling_of
from rowplane.levelling.setting import Solved, groups_of, resettle
from rowplane.levelling.taken import taken_of
from rowplane.model import FieldReadings, Finding, Levelling, Rail, RecheckBasis, SupportPlan


def recheck_feet(levels: Levelling, readings: FieldReadings) -> Levelling:
    """The levelling with `readings` taken in: one revision on for every array, changed numbers marked in the feet's notes.

    No readings: `levels` itself. An array that no new reading tells of keeps its numbers. Feet that are set keep theirs; the
    plane is chosen to miss them least, then for the rest. No wish comes out: rails are up. Raises RowplaneError for readings
    that cannot be taken, `levels` untouched.
    """
    if not readings.readings:
        return levels
    before = levels.posteriors
    judged, findings = judge(before, readings)
    solved = _again(before, judged)
    notes: dict[str, str] = {}
    for was, one in zip(before, solved, strict=True):
        notes |= _notes(was, one)
        findings += _set_off(one) + _survey_off(one.kept)
    _, cures = cures_of(solved)
    bare = tuple(found for found in levels.findings if found.code == "array-without-feet")
    return levelling_of(solved, notes, (), findings + cures + bare)


def moved_supports(plan: SupportPlan, levels: Levelling) -> SupportPlan:
    """The rails, hooks and feet where the readings say that they now are; `plan` itself where nothing moved."""
    bases = tuple(standing(basis) for basis in levels.posteriors)
    if not any(taken.kind == "moved" for basis in levels.posteriors for taken in taken_of(basis)):
        return plan
    hooks = {i: (u, v) for b in bases for i, u, v in zip(b.hook_ids, b.hook_u_mm.tolist(), b.hook_v_mm.tolist(), strict=True)}
    feet = {i: u for b in bases for i, u in zip(b.foot_ids, b.foot_u_mm.tolist(), strict=True)}
    return replace(
        plan, rails=tuple(_moved_rail(rail, bases, hooks, feet) for rail in plan.rails),
        hooks=tuple(replace(h, u_mm=hooks[h.id][0], v_mm=hooks[h.id][1]) if h.id in hooks else h for h in plan.hooks),
        feet=tuple(replace(f, u_mm=feet[f.id]) if f.id in feet else f for f in plan.feet),
    )  # fmt: skip


def _moved_rail(
    rail: Rail, bases: tuple[RecheckBasis, ...], hooks: dict[str, tuple[float, float]], feet: dict[str, float]
) -> Rail:
    basis = next((b for b in bases if b.array == rail.array), None)
    if basis is None or not set(rail.hook_ids) <= set(basis.hook_ids):
        return rail
    ordered = tuple(sorted(rail.hook_ids, key=lambda i: hooks[i][1]))
    rows, columns = [basis.foot_ids.index(i) for i in rail.foot_ids], [basis.hook_ids.index(i) for i in ordered]
    u_mm = feet[rail.foot_ids[0]] if rail.foot_ids else rail.u_mm
    return replace(rail, u_mm=u_mm, hook_ids=ordered, influence=basis.influence[np.ix_(rows, columns)])


def _again(before: tuple[RecheckBasis, ...], judged: tuple[RecheckBasis, ...]) -> tuple[Solved, ...]:
    solved: dict[int, Solved] = {}
    for group in groups_of(before):
        now, surveys = tuple(conditioned(judged[i]) for i in group), tuple(judged[i] for i in group)
        if all(judged[i].taken == before[i].taken for i in group):
            solved |= {i: Solved(one, survey) for i, one, survey in zip(group, now, surveys, strict=True)}
        else:
            solved |= zip(group, resettle(now, surveys), strict=True)
    every = (solved[i] for i in range(len(before)))
    return tuple(replace(one, kept=replace(one.kept, revision=one.kept.revision + 1)) for one in every)


def _notes(before: RecheckBasis, one: Solved) -> dict[str, str]:
    notes = {}
    for i, foot in enumerate(before.foot_ids):
        if one.basis.held[i]:
            notes[foot] = f"set at {one.basis.lift_mm[i]:g} mm, stays"
        elif (before.lift_mm[i], before.packer_mm[i]) != (one.basis.lift_mm[i], one.basis.packer_mm[i]):
            packer = f" on {before.packer_mm[i]:g} mm" if before.packer_mm[i] else ""
            notes[foot] = f"changed: was {before.lift_mm[i]:g} mm{packer}"
    return notes


def _survey_off(basis: RecheckBasis) -> tuple[Finding, ...]:
    stood = standing(basis)
    way = likely_erred(stood, evidence_of(stood, taken_of(basis)))
    if way == AS_SAID:
        return ()
    if way.smooth_mm > 0:
        size, unit, limit = way.smooth_mm, "mm", 0.0
        words = f"smoothly by about {size:g} mm over {way.length_mm / 1000:g} m beside what was said"
    else:
        size, unit, limit, words = way.times, "", 1.0, f"about {way.times:g} times as much as was said"
    text = f"By the readings the survey errs {words}; sigma of what was not measured says so now."
    return (finding("survey-errs-more", f"array {basis.array}", text, size, limit, unit),)


def _set_off(one: Solved) -> tuple[Finding, ...]:
    limit = one.basis.limits.tolerance_mm
    off = np.flatnonzero(one.basis.held & (np.abs(one.off_mm) > limit))
    return tuple(
        finding(
            "set-foot-off", f"foot {one.basis.foot_ids[i]}",
            f"Foot {one.basis.foot_ids[i]} is set and stands {one.off_mm[i]:+.1f} mm off the plane.",
            float(one.off_mm[i]), limit, "mm",
        )
        for i in off
    )  # fmt: skip
