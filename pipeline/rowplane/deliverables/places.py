"""Where things are: ids looked up once, heights of rails and array planes, and the way back to scan coordinates."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from rowplane.frames import face_to_survey, survey_to_scan
from rowplane.model import Foot, FootSetting, Rail, RoofResult

NOWHERE = (math.nan, math.nan, math.nan)


class Places:
    """Look-ups over one result; every writer asks here, so that a place has one answer."""

    def __init__(self, result: RoofResult) -> None:
        self.result = result
        self.unit = result.survey.frame.unit
        self.frames = {f.id: f.frame for f in result.roof.faces} | {s.face.id: s.face.frame for s in result.surfaces.surfaces}
        self.rails = {r.id: r for r in result.plan.rails}
        self.hooks = {h.id: h for h in result.plan.hooks}
        self.feet = {f.id: f for f in result.plan.feet}
        self.hook_settings = {h.hook: h for h in result.levels.hooks}
        self.foot_settings = {f.foot: f for f in result.levels.feet}
        self.planes = {p.array: p for p in result.levels.planes if math.isfinite(p.height_mm)}

    def set_feet(self) -> Iterator[tuple[Foot, FootSetting]]:
        """Feet that have a number, in the plan's order. A foot that cannot be has a finding instead of an empty row."""
        for foot in self.result.plan.feet:
            setting = self.foot_settings.get(foot.id)
            if setting is not None and math.isfinite(setting.lift_mm):
                yield foot, setting

    def survey_xyz_mm(self, face: str, u_mm: float, v_mm: float, w_mm: float) -> tuple[float, float, float]:
        """A place over a face in the survey frame, mm; NaN where face or height is not known."""
        if face not in self.frames or not math.isfinite(w_mm):
            return NOWHERE
        x, y, z = face_to_survey(self.frames[face], np.array([[u_mm, v_mm, w_mm]]))[0]
        return float(x), float(y), float(z)

    def scan_xyz(self, face: str, u_mm: float, v_mm: float, w_mm: float) -> tuple[float, float, float]:
        """The same place in the scan's own coordinates and unit."""
        x, y, z = survey_to_scan(self.result.survey.frame, np.array([self.survey_xyz_mm(face, u_mm, v_mm, w_mm)]))[0]
        return float(x), float(y), float(z)

    def plane_height(self, array: str, u_mm: float, v_mm: float) -> float:
        """Array plane over the face plane at u, v, mm; NaN without an array plane."""
        plane = self.planes.get(array)
        if plane is None:
            return math.nan
        bent = sum(bend * max(v_mm - at, 0.0) for at, bend in plane.folds)
        return plane.height_mm + plane.slope_u * u_mm + plane.slope_v * v_mm + bent

    def seat_mm(self, hook_id: str) -> float:
        """Height of a hook's seat over the face plane, packers included, mm."""
        setting = self.hook_settings.get(hook_id)
        return setting.seat_height_mm if setting else self.hooks[hook_id].seat_height_mm


def rail_height_at(places: Places, rail: Rail, v_mm: float) -> float:
    """Unloaded rail top over the face plane at `v_mm`, mm: between known hooks and feet, straight on beyond them.

    Beyond its outer hook a rail is straight, so hook and outermost foot give the line. NaN with fewer than two hooks.
    """
    known = {round(places.hooks[h].v_mm): (places.hooks[h].v_mm, places.seat_mm(h)) for h in rail.hook_ids if h in places.hooks}
    for foot in rail.foot_ids:
        setting = places.foot_settings.get(foot)
        if setting is not None and foot in places.feet and math.isfinite(setting.rail_height_mm):
            v = places.feet[foot].v_mm
            # A foot right over a hook has the hook's height; two points a hair apart give no direction.
            if all(abs(v - other) > 20 for other in known):
                known[round(v)] = (v, setting.rail_height_mm)
    if len(known) < 2:
        return math.nan
    at = np.array(sorted(known.values()))
    if v_mm < at[0, 0] or v_mm > at[-1, 0]:
        a, b = (at[0], at[1]) if v_mm < at[0, 0] else (at[-2], at[-1])
        return float(a[1] + (b[1] - a[1]) * (v_mm - a[0]) / (b[0] - a[0]))
    return float(np.interp(v_mm, at[:, 0], at[:, 1]))
