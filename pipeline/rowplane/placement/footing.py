"""Whether rails could carry rows of modules: rafters and pans read along the eave, before any rail is chosen.

Modules that nothing can carry are worth nothing, so rows are laid where rails can stand under them. What is asked here is
what the choice of rails asks later (supports): a foot within the overhang of both ends of a row, enough feet on each held
edge and in its zones, one rail per rafter, no gap between places wider than feet may stand apart. That choice asks for
fewest and most even rails too, and has the last word.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rowplane.columns import Rafter, find_windows, rafter_section, rafters_of
from rowplane.config import HardwareConfig, ModuleConfig, RafterConfig
from rowplane.model import Array, Orientation, Surface
from rowplane.placement.ways import Lie

Flags = NDArray[np.bool_]
Demand = tuple[float, bool, float, float, int]
"""Left edge of the module that asks, whether it does as the end of a row, stretch of u (from, to), how many feet it must hold."""
SAME_MM = 1.0
"""Left edges, and gaps, nearer than this are the same."""
MEETS_MM = 0.01
"""A foot that reaches exactly to a module's edge holds nothing: it must meet the module by this."""
MOST_MOVES = 4
"""Moves at which modules are left out, to see at which of them most remain."""


@dataclass(frozen=True)
class Footing:
    """What rafters and pans leave to modules that lie one way on one face.

    `places_mm` per rafter the stretches (from, to) of u where a rail may run on it, the rafter whose last place comes first
    in front. `zones_mm` where feet may hold a module, from its left edge; `per_edge` feet on each held edge.
    """

    places_mm: tuple[tuple[tuple[float, float], ...], ...]
    zones_mm: tuple[tuple[float, float], ...]
    per_edge: int
    along_u_mm: float
    gap_mm: float
    half_foot_mm: float
    overhang_mm: float
    spacing_mm: float

    def held(self, corners_mm: Array, moves_mm: Array) -> Flags:
        """Whether rails could carry modules with these lower left corners `(n, 2)`, all moved along u by each of `moves_mm`.

        `(m,)` → `(m,)`.
        """
        lefts = [corners_mm[row, 0] for row in self._rows(corners_mm)]
        short = self._short(lefts, self._demands(lefts), moves_mm)
        return np.asarray(~short.any(axis=0))

    def carried(self, corners_mm: Array, moves_mm: Array, towards_mm: float, least: int) -> tuple[float, Flags]:
        """The one of `moves_mm` at which rails can carry most of these modules, and which of them `(n,)`.

        All of them where that can be, at the move nearest to `towards_mm`. Else, where the fewest demands stay unmet, the
        modules that ask for them are left out one after another, as long as `least` remain, so the count is good, not proved.
        """
        lefts = [corners_mm[row, 0] for row in self._rows(corners_mm)]
        short = self._short(lefts, self._demands(lefts), moves_mm)
        unmet, off = short.sum(axis=0), np.abs(moves_mm - towards_mm)
        if (unmet == 0).any():
            return float(moves_mm[np.lexsort((off, unmet))[0]]), np.ones(len(corners_mm), dtype=bool)
        # Where more than half of all demands stay unmet, less than half of the modules could stay.
        tried = [k for k in np.lexsort((off, unmet))[: MOST_MOVES * 10 : 10] if unmet[k] <= len(short) / 2]
        found = [(0.0, np.zeros(len(corners_mm), dtype=bool))]
        found += [(float(moves_mm[k]), self._without(corners_mm + np.array([moves_mm[k], 0.0]), least)) for k in tried]
        return max(found, key=lambda f: int(f[1].sum()))

    def _without(self, corners_mm: Array, least: int) -> Flags:
        """Which modules remain when those that ask for feet where no rail can stand are left out; none if fewer than `least`."""
        stays = np.ones(len(corners_mm), dtype=bool)
        while stays.sum() >= least:
            kept = np.flatnonzero(stays)
            rows = [kept[row] for row in self._rows(corners_mm[kept])]
            lefts = [corners_mm[row, 0] for row in rows]
            demands = self._demands(lefts)
            short = self._short(lefts, demands, np.zeros(1))[:, 0]
            if not short.any():
                return stays
            if short[0]:
                break
            left, ends, *_ = demands[int(np.argmax(short)) - 1]
            for row in rows:
                at = np.flatnonzero(np.abs(corners_mm[row, 0] - left) <= SAME_MM)
                stays[row[[k for k in at if not ends or k in (0, len(row) - 1)]]] = False
        return np.zeros(len(corners_mm), dtype=bool)

    def _short(self, rows: Sequence[Array], demands: Sequence[Demand], moves_mm: Array) -> Flags:
        """Which demands of rows with these left edges stay unmet at each move `(1 + demands, m)`; the first row is that of gaps.

        Rafters are handed out from the left: each demand takes the ones that are over first, each as far right as it may
        stand, where it serves the next demand best.
        """
        short = [~self._no_gap(rows, moves_mm)]
        foot = np.full((len(self.places_mm), len(moves_mm)), -np.inf)
        begins, ends = np.array([[own[0][0], own[-1][1]] for own in self.places_mm]).reshape(-1, 2).T
        back, forth = float(moves_mm.min()), float(moves_mm.max())
        for _, _, low, high, count in demands:
            from_mm, to_mm = low + moves_mm, high + moves_mm
            near = np.flatnonzero((ends >= low + back) & (begins <= high + forth))
            have = ((foot[near] >= from_mm) & (foot[near] <= to_mm)).sum(axis=0)
            for k in near:
                if (have >= count).all():
                    break
                at = np.full(len(moves_mm), -np.inf)
                for a, b in self.places_mm[k]:
                    at = np.where(to_mm >= a, np.minimum(to_mm, b), at)
                takes = (have < count) & np.isinf(foot[k]) & (at >= from_mm)
                foot[k, takes] = at[takes]
                have += takes
            short.append(have < count)
        return np.array(short)

    def _rows(self, corners_mm: Array) -> list[NDArray[np.int64]]:
        """Modules side by side without a break: their indices, row by row, left to right."""
        order = np.lexsort((corners_mm[:, 0], np.round(corners_mm[:, 1], 3)))
        u, v = corners_mm[order].T
        apart = (np.diff(u) > self.along_u_mm + self.gap_mm + SAME_MM) | (np.abs(np.diff(v)) > SAME_MM)
        return np.split(order, np.flatnonzero(apart) + 1)

    def _demands(self, rows: Sequence[Array]) -> list[Demand]:
        """What modules in rows with these left edges ask for, those whose stretch ends first in front.

        Modules one above the other ask once: the rail under them is one. Where one
        of them ends its row, its feet must stand within the row, which a foot on the joint beside it does not.
        """
        ends: dict[int, tuple[float, bool, bool]] = {}
        for row in rows:
            for k, left in enumerate(row):
                _, first, last = ends.get(round(float(left)), (left, False, False))
                ends[round(float(left))] = (float(left), first or k == 0, last or k == len(row) - 1)
        half, width, over = self.half_foot_mm, self.along_u_mm, self.overhang_mm
        found = []
        for left, first, last in ends.values():
            low, high = left + (half if first else MEETS_MM - half), left + width - (half if last else MEETS_MM - half)
            is_end = first or last
            zones = [(max(low, left + a), min(high, left + b)) for a, b in self.zones_mm]
            found.append((left, is_end, zones[0][0], zones[-1][1], self.per_edge))
            if len(zones) > 1 and self.per_edge > 1:
                found += [(left, is_end, a, b, 1) for a, b in zones]
            if first:
                found.append((left, True, max(left + half, zones[0][0]), min(left + over, zones[0][1]), 1))
            if last:
                found.append((left, True, max(left + width - over, zones[-1][0]), min(left + width - half, zones[-1][1]), 1))
        return sorted(found, key=lambda d: (d[3], d[2]))

    def _no_gap(self, rows: Sequence[Array], moves_mm: Array) -> Flags:
        """Whether no row spans a stretch without a place in a zone that is longer than feet may stand apart."""
        spans = np.array(sorted(span for own in self.places_mm for span in own)).reshape(-1, 2)
        held = np.ones(len(moves_mm), dtype=bool)
        for row in {row.tobytes(): row for row in rows}.values():
            start, end = row[0] + moves_mm, row[-1] + self.along_u_mm + moves_mm
            low, high = spans[:, :1] + 0.0 * moves_mm, spans[:, 1:] + 0.0 * moves_mm
            if len(self.zones_mm) > 1:
                for left in row[:, None] + moves_mm:
                    out = left + self.zones_mm[0][1], left + self.zones_mm[1][0]
                    low = np.where((low > out[0]) & (low < out[1]), out[1], low)
                    high = np.where((high > out[0]) & (high < out[1]), out[0], high)
            reach = np.maximum.accumulate(np.where(low <= high, high, -np.inf), axis=0)[:-1]
            gap = (low[1:] <= high[1:]) & np.isfinite(reach) & (low[1:] - reach > self.spacing_mm)
            held &= ~(gap & (low[1:] > start + self.overhang_mm) & (reach < end - self.overhang_mm)).any(axis=0)
        return held


Footings = Mapping[Orientation, tuple[Footing, ...]]
"""Of each way to lie on one face, the safer footing first; none where rafters are not known."""


def footings(
    surface: Surface,
    rafters: Sequence[RafterConfig],
    ways: Sequence[Lie],
    gap_mm: float,
    module: ModuleConfig,
    hardware: HardwareConfig,
) -> Footings:
    """Footings of each way to lie on a face, the safer one first: arms that still reach where the rafter lies off by its
    tolerance, then arms at full reach. None at all where rafters are not known: there every pan may do."""
    section = rafter_section(surface.face, rafters)
    known = rafters_of(surface.face, section)
    if section is None or not known:
        return {way.orientation: () for way in ways}
    sure_mm = max(hardware.hook_reach_mm - section.tolerance_mm, 0.0)
    places = [_places(surface, known, reach, hardware) for reach in dict.fromkeys((sure_mm, hardware.hook_reach_mm))]
    zones = {"landscape": module.zone_long_mm, "portrait": module.zone_short_mm}
    half = 0.5 * hardware.foot_width_mm
    return {
        way.orientation: tuple(
            Footing(
                own,
                _held_zones(way.along_u_mm, zones[way.orientation], half),
                math.ceil(module.feet_per_module / 2),
                way.along_u_mm,
                gap_mm,
                half,
                min(hardware.max_row_overhang_mm, hardware.max_foot_spacing_mm),
                hardware.max_foot_spacing_mm,
            )
            for own in places
        )
        for way in ways
    }


def _places(
    surface: Surface, rafters: Sequence[Rafter], reach_mm: float, hardware: HardwareConfig
) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Per rafter the stretches of u, whole millimetres, where an arm is in a pan all the way up the face."""
    u0, v0, u1, v1 = surface.face.outline.bounds
    of: dict[str, list[tuple[float, float]]] = {}
    for w in find_windows((u0, u1), (v0, v1), surface.pattern, rafters, reach_mm, hardware, through=True):
        low, high = math.ceil(w.low_mm), math.floor(w.high_mm)
        if high >= low:
            of.setdefault(w.place, []).append((low, high))
    return tuple(sorted((tuple(sorted(own)) for own in of.values()), key=lambda own: own[-1][1]))


def _held_zones(along_mm: float, zone_mm: tuple[float, float], half_foot_mm: float) -> tuple[tuple[float, float], ...]:
    """Where feet may hold a module, from its left edge; a zone that begins at the corner reaches onto the joint."""
    near = -half_foot_mm if zone_mm[0] <= 0 else zone_mm[0]
    if 2.0 * zone_mm[1] >= along_mm - 1.0:
        return ((near, along_mm - near),)
    return ((near, zone_mm[1]), (along_mm - zone_mm[1], along_mm - near))
