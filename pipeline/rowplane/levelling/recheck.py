"""Field readings in, updated numbers out: judged, conditioned on, the plane chosen anew for what is not yet set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rowplane.findings import finding
from rowplane.levelling.condition import conditioned
from rowplane.levelling.cures import cures_of
from rowplane.levelling.readings import judge
from rowplane.levelling.result import levelling_of
from rowplane.levelling.setting import Solved, settle
from rowplane.model import FieldReadings, Finding, Levelling, RecheckBasis


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
    solved = tuple(_again(was, now) for was, now in zip(before, judged, strict=True))
    notes: dict[str, str] = {}
    for was, one in zip(before, solved, strict=True):
        notes |= _notes(was, one)
        findings += _set_off(one)
    _, cures = cures_of(solved)
    bare = tuple(found for found in levels.findings if found.code == "array-without-feet")
    return levelling_of(solved, notes, (), findings + cures + bare)


def _again(before: RecheckBasis, basis: RecheckBasis) -> Solved:
    now = conditioned(basis)
    one = Solved(now, basis) if basis.taken == before.taken else settle(now, survey=basis)
    return replace(one, kept=replace(one.kept, revision=before.revision + 1))


def _notes(before: RecheckBasis, one: Solved) -> dict[str, str]:
    notes = {}
    for i, foot in enumerate(before.foot_ids):
        if one.basis.held[i]:
            notes[foot] = f"set at {one.basis.lift_mm[i]:g} mm, stays"
        elif (before.lift_mm[i], before.packer_mm[i]) != (one.basis.lift_mm[i], one.basis.packer_mm[i]):
            packer = f" on {before.packer_mm[i]:g} mm" if before.packer_mm[i] else ""
            notes[foot] = f"changed: was {before.lift_mm[i]:g} mm{packer}"
    return notes


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
