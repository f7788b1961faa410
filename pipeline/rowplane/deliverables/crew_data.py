"""What the phone page computes with: every foot's number, and the joint Gaussian of rail tops at the feet of each array."""

from __future__ import annotations

import base64
import math
from typing import Any

import numpy as np

from rowplane.deliverables.content import Sheets, Stop
from rowplane.deliverables.places import Places
from rowplane.deliverables.words import PAGE_WORDS, count
from rowplane.model import Array, ModuleArray, RecheckBasis, RoofResult

MOST_COVARIANCE_BYTES = 260_000
"""Room in the page for all covariances together; a lead beyond it is rechecked at the desk only."""

DIGITS = 4


def crew_data(result: RoofResult, sheets: Sheets) -> dict[str, Any]:
    """Plain values for the page's script."""
    hardware = result.lead.config.hardware
    return {
        "lead": sheets.lead,
        "date": sheets.survey_date,
        "revision": sheets.revision,
        "units": sheets.units,
        "lift_min": hardware.lift_min_mm,
        "lift_max": hardware.lift_max_mm,
        "pitch": hardware.thread_pitch_mm,
        "tolerance": result.lead.config.levelling.tolerance_mm,
        "setting_sd": result.lead.config.levelling.setting_sd_mm,
        "stops": [_stop(s) for s in sheets.stops],
        "arrays": _arrays(result),
        "words": PAGE_WORDS,
        "titles": {a.id: _title(a) for a in result.layout.arrays},
    }


def _title(array: ModuleArray) -> str:
    return PAGE_WORDS["array_title"].format(array=array.id, modules=count("module", len(array.modules)), face=array.face)


def _stop(stop: Stop) -> dict[str, Any]:
    return {
        "id": stop.foot,
        "array": stop.array,
        "line": stop.line,
        "run": stop.run,
        "rail": stop.rail,
        "role": stop.role,
        "joiner": "joiner" in stop.kind,
        "lift": stop.lift_mm,
        "packer": stop.packer_mm,
        "turns": stop.turns,
        "adjust": stop.adjustment_mm,
        "gap": stop.string_gap_mm,
        "sigma": stop.sigma_mm,
        "reach": stop.reach,
        "trust": stop.trust,
        "note": stop.note,
    }


def _arrays(result: RoofResult) -> dict[str, Any]:
    bases = [p for p in result.levels.posteriors if isinstance(p, RecheckBasis)]
    room = sum(len(p.foot_ids) * (len(p.foot_ids) + 1) // 2 * 4 * 4 // 3 for p in bases)
    if room > MOST_COVARIANCE_BYTES:
        return {}
    places = Places(result)
    arrays = {a.id: a for a in result.layout.arrays}
    return {p.array: _array(result, places, arrays[p.array], p) for p in bases if p.array in arrays and len(p.foot_ids)}


def _array(result: RoofResult, places: Places, array: ModuleArray, basis: RecheckBasis) -> dict[str, Any]:
    feet = [places.feet[f] for f in basis.foot_ids]
    upper = basis.rail_covariance_mm2[np.triu_indices(len(feet))].astype("<f4")
    supports, sags = _strings(result, places, array)
    return {
        "feet": list(basis.foot_ids),
        "u": [_round(f.u_mm) for f in feet],
        "v": [_round(f.v_mm) for f in feet],
        "rail": [_round(places.foot_settings[f].rail_height_mm) for f in basis.foot_ids],
        "plane": [_round(places.plane_height(array.id, f.u_mm, f.v_mm)) for f in feet],
        "covariance": base64.b64encode(upper.tobytes()).decode(),
        **_survey(places, basis),
        "supports": [supports.get(f) for f in basis.foot_ids],
        "sag": [sags.get(f) for f in basis.foot_ids],
        "reading_sd": basis.limits.reading_sd_mm,
        "mark_sd": basis.limits.mark_sd_mm,
        "pull_share": basis.limits.string_pull_share,
        "up_u": float(basis.up[0]),
        "up_v": float(basis.up[1]),
        "up_w": float(basis.up[2]),
        "solved": array.id in places.planes,
    }


def _survey(places: Places, basis: RecheckBasis) -> dict[str, Any]:
    """What hooks scatter at the feet, (foot, foot, mm²), each pair once; where hooks stand, (u, v); feet's shares in them.

    Shares are (hook, share) per foot: what a smooth error at the hooks comes to there. All empty once readings have told of the
    survey: the covariance has it then.
    """
    if basis.told:
        return {"scatter": [], "hooks": [], "influence": []}
    influence = _influence(places, basis)
    shared = basis.limits.hook_seat_sd_mm**2 * np.triu(influence @ influence.T)
    stand = [places.hooks[h] for h in basis.hook_ids]
    return {
        "scatter": [(int(i), int(j), round(float(shared[i, j]), DIGITS)) for i, j in np.argwhere(shared != 0)],
        "hooks": [(_round(h.u_mm), _round(h.v_mm)) for h in stand],
        "influence": [[(int(j), round(float(row[j]), 2 * DIGITS)) for j in np.flatnonzero(row)] for row in influence],
    }


def _influence(places: Places, basis: RecheckBasis) -> Array:
    """Rail tops at the feet from hook seats `(f, h)`, by the plan: it has the rails where they now are, the basis as surveyed."""
    row, column = ({name: k for k, name in enumerate(ids)} for ids in (basis.foot_ids, basis.hook_ids))
    whole = np.zeros((len(row), len(column)))
    for name in dict.fromkeys(basis.foot_rails):
        rail = places.rails[name]
        whole[np.ix_([row[f] for f in rail.foot_ids], [column[h] for h in rail.hook_ids])] = rail.influence
    return whole


def _strings(result: RoofResult, places: Places, array: ModuleArray) -> tuple[dict[str, Any], dict[str, float]]:
    """Per inner foot the two feet its string rests on with their shares, and the sag a rule sees there.

    The string rests where it has no sag: on the outer feet of its run, and on a mid support.
    """
    supports: dict[str, Any] = {}
    sags: dict[str, float] = {}
    for string in result.levels.strings:
        if string.array != array.id or string.advice == "laser":
            continue
        set_up = {f: places.foot_settings[f] for f in string.feet if f in places.foot_settings}
        sag = {f: s.lift_mm + s.packer_mm - s.string_gap_mm for f, s in set_up.items() if math.isfinite(s.string_gap_mm)}
        rests = [f for f in string.feet if abs(sag.get(f, math.inf)) < 1e-9]
        for foot in string.feet:
            if foot not in sag or foot in rests:
                continue
            u = places.feet[foot].u_mm
            left = [f for f in rests if places.feet[f].u_mm < u]
            right = [f for f in rests if places.feet[f].u_mm > u]
            if left and right:
                a, b = places.feet[left[-1]].u_mm, places.feet[right[0]].u_mm
                share = (u - a) / (b - a)
                supports[foot] = [[left[-1], 1 - share], [right[0], share]]
                sags[foot] = round(sag[foot], DIGITS)
    return supports, sags


def _round(value: float) -> float | None:
    return round(float(value), DIGITS) if math.isfinite(value) else None
