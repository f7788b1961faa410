"""An agreed layout: every module stays where it was given; what is wrong with it is said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from rowplane.config import FixedModule, PlacementConfig
from rowplane.findings import finding
from rowplane.model import Array, Finding
from rowplane.placement.arrays import ALIGN_MM
from rowplane.placement.erosion import corner_area
from rowplane.placement.filling import Block, Fill
from rowplane.placement.ways import Lie

OUT_MM = 0.5
"""Given places are rounded; a module that leaves the usable area by less is in it."""


def agreed(
    usable: Mapping[str, BaseGeometry], ways: Sequence[Lie], placement: PlacementConfig
) -> tuple[dict[str, Fill], list[Finding]]:
    """The fixed modules per face and what is wrong with them.

    `ways` are the ways to lie that the orientation setting names; where it names both, the one with less trouble is meant.
    """
    tried = [_checked(usable, way, placement) for way in ways]
    return min(tried, key=lambda t: len(t[1])) if tried else ({}, [])


def _checked(usable: Mapping[str, BaseGeometry], way: Lie, placement: PlacementConfig) -> tuple[dict[str, Fill], list[Finding]]:
    fills, findings = {}, []
    for name in dict.fromkeys(m.face for m in placement.fixed):
        own = [m for m in placement.fixed if m.face == name]
        if name not in usable:
            known = ", ".join(usable) or "none"
            text = f"The agreed layout has {len(own)} modules on face {name}, which this roof has not (faces: {known})."
            findings.append(finding("fixed-layout", f"face {name}", text, float(len(own))))
            continue
        rects = _rects(own, way)
        findings += _outside(name, rects, usable[name], way) + _nearer(name, rects, placement.gap_mm)
        fills[name] = Fill((Block(way, rects, len(rects), 0, 1),), len(rects))
    return fills, findings


def _rects(own: Sequence[FixedModule], way: Lie) -> Array:
    corner = np.array([[m.u_mm, m.v_mm] for m in own], dtype=float)
    return np.hstack([corner, corner + np.array([way.along_u_mm, way.along_v_mm])])


def _outside(name: str, rects: Array, usable: BaseGeometry, way: Lie) -> list[Finding]:
    """Modules that leave the usable area, and the shortest move that would bring each inside."""
    found = []
    free = corner_area(usable, way.along_u_mm, way.along_v_mm)
    for rect in rects:
        rest = shapely.difference(box(*rect), usable)
        points = shapely.points(shapely.get_coordinates(rest))
        out = float(shapely.distance(points, usable).max(initial=0.0)) if not usable.is_empty else float(rect[2] - rect[0])
        # A hole in the middle of a module reaches no corner of it: area tells.
        if out > OUT_MM or rest.area > OUT_MM * (rect[2] - rect[0]):
            text = (
                f"The agreed module at u {rect[0]:.0f}, v {rect[1]:.0f} on face {name} leaves the usable area by {out:.0f} mm "
                f"({rest.area / 1e6:.3f} m²); {_move_in_words(rect, free)}."
            )
            found.append(finding("fixed-layout", f"face {name}", text, round(out, 1), 0.0, "mm"))
    return found


def _move_in_words(rect: Array, free: BaseGeometry) -> str:
    """The shortest move that brings a module's lower left corner onto `free`, whole millimetres where these do."""
    if free.is_empty:
        return "the face has no room for it anywhere"
    corner, there = shapely.get_coordinates(shapely.shortest_line(shapely.points(rect[:2]), free))
    by = np.round(there - corner, 3) + 0.0  # minus nothing reads oddly
    whole = [np.array([a, b]) + 0.0 for a in (np.floor(by[0]), np.ceil(by[0])) for b in (np.floor(by[1]), np.ceil(by[1]))]
    inside = [w for w in whole if shapely.distance(shapely.points(corner + w), free) < OUT_MM / 10]
    du, dv = min(inside, key=lambda w: float(np.hypot(*w)), default=by)
    return f"moved by {du:+g} mm along u and {dv:+g} mm along v it would lie inside"


def _nearer(name: str, rects: Array, gap_mm: float) -> list[Finding]:
    """Pairs that overlap or stand nearer than the gap."""
    found = []
    for a, b in combinations(rects, 2):
        apart = max(b[0] - a[2], a[0] - b[2], b[1] - a[3], a[1] - b[3])
        if apart < gap_mm - ALIGN_MM:
            what = f"overlap by {-apart:.0f} mm" if apart < 0 else f"stand {apart:.0f} mm apart"
            text = (
                f"Agreed modules at u {a[0]:.0f}, v {a[1]:.0f} and u {b[0]:.0f}, v {b[1]:.0f} on face {name} {what}; "
                f"the gap is {gap_mm:g} mm: {gap_mm - apart:.0f} mm more between them would do."
            )
            found.append(finding("fixed-layout", f"face {name}", text, round(float(apart), 1), gap_mm, "mm"))
    return found
