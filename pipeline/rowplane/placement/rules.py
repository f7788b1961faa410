"""Rules that depend on the layout itself: ridge setback by share of the roof, clear ways, hips between two filled faces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from rowplane.config import HardwareConfig, PlacementConfig
from rowplane.findings import finding
from rowplane.frames import pitch_deg
from rowplane.model import Edge, Face, Finding
from rowplane.placement.filling import Fill, fill
from rowplane.placement.footing import Footings
from rowplane.placement.trimming import capped, least_groups, trimmed
from rowplane.placement.usable import usable_area
from rowplane.placement.ways import Lie

SHARE_ROUNDING = 1e-9
"""A share counts as not more than its limit within this, relative."""
WAY_STEP_MM = 10.0
"""A narrower way is named in whole steps of this."""
MOST_WAYS = 12
"""Faces with modules up to which every choice of faces for the ways is tried."""


@dataclass(frozen=True)
class Job:
    """What one placement works with: `wanted` are the ids of faces that may carry modules, in order of sun.

    `bare` holds per face id its bare_area, `footing` what rafters and pans leave to rows on it.
    """

    faces: tuple[Face, ...]
    wanted: tuple[str, ...]
    ways: tuple[Lie, ...]
    placement: PlacementConfig
    hardware: HardwareConfig
    bare: Mapping[str, BaseGeometry]
    footing: Mapping[str, Footings]


@dataclass(frozen=True)
class Laid:
    """Faces filled under one set of rules: usable area and fill per face id; `wide_ridge` says which ridge setback.

    `over_share` is True where the share of the roof had to be kept down by the one or the other means.
    """

    usable: Mapping[str, BaseGeometry]
    fills: Mapping[str, Fill]
    wide_ridge: bool = False
    over_share: bool = False
    findings: tuple[Finding, ...] = field(default=())

    @property
    def count(self) -> int:
        """Modules on all faces."""
        return sum(f.count for f in self.fills.values())


def lay(job: Job) -> Laid:
    """All faces filled, with the ridge setback that belongs to the share that comes out.

    Over the limit there are two ways to keep the rule: the wide setback, or fewer modules with the narrow one; the one
    that leaves more modules is taken, the wide setback if both leave the same.
    """
    narrow = _laid(job, wide=False)
    placement = job.placement
    if placement.ridge_wide_mm is None:
        return narrow
    share = share_percent(job.faces, narrow.fills)
    limit = placement.ridge_share_percent
    chosen = narrow
    if not within(share, limit):
        fewer = _within_share(job, narrow)
        wide = _laid(job, wide=True)
        chosen = replace(fewer if fewer.count > wide.count else wide, over_share=True)
    final = share_percent(job.faces, chosen.fills)
    kept = placement.ridge_wide_mm if chosen.wide_ridge else placement.setback_mm.ridge
    detail = (
        f"Modules take {final:.1f} % of the roof's plan area (faces worked on); up to {limit:g} % the ridge setback is "
        f"{placement.setback_mm.ridge:g} mm, above it {placement.ridge_wide_mm:g} mm; kept here: {kept:g} mm."
    )
    return replace(chosen, findings=(*chosen.findings, finding("ridge-share", "roof", detail, final, limit, "%")))


def ridge_setback_mm(share: float, placement: PlacementConfig) -> float:
    """Ridge setback for modules that take `share` percent of the roof's plan area ('not more than' is the narrow one)."""
    if placement.ridge_wide_mm is None or within(share, placement.ridge_share_percent):
        return placement.setback_mm.ridge
    return placement.ridge_wide_mm


def within(share: float, limit: float) -> bool:
    """True where `share` is not more than `limit`, rounding aside."""
    return share <= limit * (1 + SHARE_ROUNDING)


def plan_area_mm2(slope_area_mm2: float, face: Face) -> float:
    """Area seen from above of an area on the slope of `face`."""
    return slope_area_mm2 * float(np.cos(np.radians(pitch_deg(face.frame))))


def share_percent(faces: Sequence[Face], fills: Mapping[str, Fill]) -> float:
    """Modules' share of the faces' area, both in plan view, percent; 0 for no faces."""
    roof = sum(plan_area_mm2(f.outline.area, f) for f in faces)
    taken = sum(
        plan_area_mm2(len(b.rects_mm) * b.lie.along_u_mm * b.lie.along_v_mm, f)
        for f in faces
        if f.id in fills
        for b in fills[f.id].blocks
    )
    return 100 * taken / roof if roof > 0 else 0.0


def edge_setbacks(face: Face, placement: PlacementConfig, wide_ridge: bool, filled: frozenset[str] | None) -> dict[Edge, float]:
    """Distance to keep from each edge of `face`, mm; `filled` are the faces that carry modules, None for all of them."""
    flat = pitch_deg(face.frame) <= placement.rules_above_pitch_deg + 1e-6
    kept: dict[Edge, float] = {}
    for edge in face.edges:
        distance = float(getattr(placement.setback_mm, edge.kind))
        if edge.kind == "ridge" and wide_ridge and placement.ridge_wide_mm is not None:
            distance = placement.ridge_wide_mm
        alone = placement.hip_valley_if_both and filled is not None and edge.neighbour not in filled
        if (edge.kind == "ridge" and flat) or (edge.kind in ("hip", "valley") and alone):
            distance = 0.0
        kept[edge] = distance
    return kept


def _laid(job: Job, wide: bool) -> Laid:
    """Faces filled under one ridge setback, hips, ways and the greatest count taken into account."""
    first = _filled(job, wide, None)
    if job.placement.hip_valley_if_both:
        carrying = _carrying(first)
        second = _filled(job, wide, carrying)
        # Right only where no face got its first modules from a setback that was lifted because it had none.
        if _carrying(second) <= carrying:
            return _finished(job, wide, carrying, second)
    return _finished(job, wide, None, first)


def _carrying(laid: Laid) -> frozenset[str]:
    return frozenset(name for name, filled in laid.fills.items() if filled.count)


def _filled(job: Job, wide: bool, carrying: frozenset[str] | None, ways: Mapping[str, BaseGeometry] | None = None) -> Laid:
    usable, fills = {}, {}
    for face in job.faces:
        kept = edge_setbacks(face, job.placement, wide, carrying)
        free = [*escape_areas(face, job.placement), *([ways[face.id]] if ways and face.id in ways else [])]
        usable[face.id] = usable_area(face, job.placement, kept, free, job.bare[face.id])
        if face.id in job.wanted:
            fills[face.id] = fill(usable[face.id], job.ways, job.placement, job.hardware, job.footing[face.id])
    return Laid(usable, fills, wide)


def _finished(job: Job, wide: bool, carrying: frozenset[str] | None, laid: Laid) -> Laid:
    findings: tuple[Finding, ...] = ()
    if job.placement.path_mm > 0 and _carrying(laid):
        laid, findings = _with_ways(job, wide, carrying, laid)
    fills = capped(laid.fills, job.wanted, job.placement)
    return replace(laid, fills=fills, findings=findings)


def _with_ways(job: Job, wide: bool, carrying: frozenset[str] | None, laid: Laid) -> tuple[Laid, tuple[Finding, ...]]:
    """The same faces with clear ways where they cost the fewest modules."""
    of = {f.id: f for f in job.faces}
    steep = [n for n in sorted(_carrying(laid)) if pitch_deg(of[n].frame) > job.placement.rules_above_pitch_deg + 1e-6]
    best: dict[str, tuple[int, BaseGeometry]] = {}
    for name in steep:
        options = way_candidates(of[name], job.placement.path_mm)
        tried = [(_filled(replace(job, faces=(of[name],)), wide, carrying, {name: o}).fills[name].count, o) for o in options]
        if tried:
            best[name] = max(tried, key=lambda t: t[0])
    clear = frozenset(f.id for f in job.faces if f.id not in _carrying(laid) and way_candidates(f, job.placement.path_mm))
    cost = {name: laid.fills[name].count - count for name, (count, _) in best.items()}
    chosen, met = _cheapest(job, steep, clear, cost)
    result = _filled(job, wide, carrying, {name: best[name][1] for name in chosen}) if chosen else laid
    words = f"ways of {job.placement.path_mm:g} mm are kept clear on faces {', '.join(sorted(chosen)) or 'none'}"
    if clear:
        words += f"; faces {', '.join(sorted(clear))} carry no modules and are clear"
    text = (
        f"From the lowest edge to the ridge, {words}. Which face looks to the street or driveway is not known from the survey."
    )
    if not met:
        narrower = _widest_met(job, steep, _carrying(laid))
        would = f"ways of {narrower:g} mm would meet it" if narrower else "no narrower ways would meet it"
        text += f" This does not meet the rule: there are too few faces wide enough; {would}."
    return result, (finding("access-path", "roof", text, float(len(chosen) + len(clear)), float(job.placement.paths_least)),)


def _widest_met(job: Job, steep: list[str], carrying: frozenset[str]) -> float:
    """Greatest width of ways, whole WAY_STEP_MM, at which the rule could be met; 0 where none would do."""

    def met(width_mm: float) -> bool:
        having = {f.id for f in job.faces if way_candidates(f, width_mm)}
        return _cheapest(job, steep, frozenset(having - carrying), {n: 0 for n in steep if n in having})[1]

    low, high = 0, int(-(-job.placement.path_mm // WAY_STEP_MM))
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if met(middle * WAY_STEP_MM) else (low, middle)
    return low * WAY_STEP_MM


def _cheapest(job: Job, steep: list[str], clear: frozenset[str], cost: Mapping[str, int]) -> tuple[tuple[str, ...], bool]:
    """Faces that get a way so that every face with modules is served and enough faces have one; and whether that can be met."""
    beside = {f.id: frozenset(e.neighbour for e in f.edges if e.neighbour) for f in job.faces}
    able = sorted(cost)

    def met(chosen: tuple[str, ...]) -> bool:
        having = clear | set(chosen)
        served = all(n in having or (job.placement.path_beside and having & beside[n]) for n in steep)
        return served and (not steep or len(having) >= job.placement.paths_least)

    if len(able) > MOST_WAYS:
        return tuple(able), met(tuple(able))
    sets = (c for k in range(len(able) + 1) for c in combinations(able, k) if met(c))
    best = min(sets, key=lambda c: (sum(cost[n] for n in c), len(c), c), default=None)
    return (best, True) if best is not None else (tuple(able), False)


def way_candidates(face: Face, width_mm: float) -> list[BaseGeometry]:
    """Strips up the slope, `width_mm` wide, from the lowest edge to the ridge, free of obstacles: left, right, beside obstacles.

    A face without a ridge (a hip end) has its way to its highest point. None where the face is too narrow.
    """
    u0, v0, u1, v1 = face.outline.bounds
    low, high = u0, u1
    tops = [e for e in face.edges if e.kind == "ridge"]
    if tops:
        ends = [p[0] for e in tops for p in (e.start_uv, e.end_uv)]
        low, high = max(low, min(ends)), min(high, max(ends))
    if not tops or high - low < width_mm:
        peak = shapely.get_coordinates(face.outline)
        middle = 0.5 * (low + high) if tops else float(peak[peak[:, 1] > v1 - 1.0, 0].mean())
        low, high = middle - width_mm / 2, middle + width_mm / 2
    if u1 - u0 < width_mm:
        return []
    things = [shapely.make_valid(o.outline) for o in face.obstacles]
    taken = [thing.bounds for thing in things]
    starts = [low, high - width_mm, *(b[2] for b in taken), *(b[0] - width_mm for b in taken)]
    strips = [box(s, v0, s + width_mm, v1) for s in dict.fromkeys(starts) if low - 1e-6 <= s <= high - width_mm + 1e-6]
    return [s for s in strips if not any(s.intersection(thing).area > 1.0 for thing in things)]


def escape_areas(face: Face, placement: PlacementConfig) -> list[BaseGeometry]:
    """Area from each escape opening of `face` down to its lowest edge, at least as wide as a way."""
    found = []
    for opening in placement.escapes:
        if opening.face == face.id:
            middle = 0.5 * (opening.u_from_mm + opening.u_to_mm)
            half = max(0.5 * abs(opening.u_to_mm - opening.u_from_mm), 0.5 * placement.path_mm)
            found.append(box(middle - half, face.outline.bounds[1], middle + half, opening.v_mm))
    return found


def _within_share(job: Job, laid: Laid) -> Laid:
    """The same layout with as many modules, best faces first, as the share allows."""
    of = {f.id: f for f in job.faces}
    left = job.placement.ridge_share_percent / 100 * sum(plan_area_mm2(f.outline.area, f) for f in job.faces)
    fills = dict(laid.fills)
    for name in job.wanted:
        filled = laid.fills[name]
        if not filled.blocks:
            continue
        lie = filled.blocks[0].lie
        each = plan_area_mm2(lie.along_u_mm * lie.along_v_mm, of[name])
        fills[name] = least_groups(trimmed(filled, int(left / each * (1 + SHARE_ROUNDING))), job.placement)
        left -= fills[name].count * each
    return replace(laid, fills=fills)
