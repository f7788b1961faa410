"""One face filled: the best way to lay modules on each separate part of its usable area."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rowplane.config import HardwareConfig, PlacementConfig
from rowplane.model import Array, Orientation
from rowplane.placement.arrays import groups_of
from rowplane.placement.erosion import corner_area, outline_sides, sections
from rowplane.placement.footing import Footings
from rowplane.placement.packing import Grid
from rowplane.placement.search import LEAST_HELD, best_packing
from rowplane.placement.ways import Lie


@dataclass(frozen=True)
class Block:
    """Modules of one grid: `rects_mm` `(n, 4)`, u, v, mm. `bound` is the greatest count proved for the grid; `left_over`
    modules at the chosen offset stand in groups that are too small. `held` is False where no rails could carry them all."""

    lie: Lie
    rects_mm: Array
    bound: int
    left_over: int
    groups: int
    held: bool = True
    uncarried: tuple[tuple[Array, Array], ...] = ()


Room = tuple[Orientation, tuple[tuple[Array, Array], ...]]
"""A way to lay all modules that fit: how they lie, and groups that move together as corners `(k, 2)` and moves `(m,)`."""


@dataclass(frozen=True)
class Fill:
    """All blocks of one face. `area_bound` is what the area alone would allow with one orientation per part.

    `fits` is how many modules there is room for, whether or not rails could carry them, `laid` how many were laid before
    any were taken away again. `uncarried` holds, for each part with fewer laid than fit, the ways to lay all that fit.
    """

    blocks: tuple[Block, ...]
    area_bound: int
    fits: int = 0
    laid: int = 0
    uncarried: tuple[tuple[Room, ...], ...] = ()

    @property
    def count(self) -> int:
        """Modules on the face."""
        return sum(len(b.rects_mm) for b in self.blocks)

    @property
    def held(self) -> bool:
        """Whether rails could carry all of them, as far as rafters are known."""
        return all(b.held for b in self.blocks)


def fill(
    usable: BaseGeometry,
    ways: tuple[Lie, ...],
    placement: PlacementConfig,
    hardware: HardwareConfig,
    footing: Footings | None = None,
) -> Fill:
    """The most modules on `usable` in `ways`; parts that do not hang together are filled each for itself.

    One part takes one way: of those that rails can carry (by `footing`; all, where it is None) the one with most modules, as
    long as they are LEAST_HELD of what fits, else the one with most modules. Equal counts are decided by fewer groups, then
    by the order of `ways`.
    """
    blocks: list[Block] = []
    uncarried: list[tuple[Room, ...]] = []
    area_bound = fits = 0
    for part in sorted(shapely.get_parts(usable), key=lambda p: p.bounds):
        tried: list[Fill] = []
        for way in ways:
            # A way that rails carry less of than of another is not looked for.
            beat = max((t.laid for t in tried if t.held), default=0)
            tried.append(_part(part, way, placement, hardware, footing, beat))
        area_bound += max((t.area_bound for t in tried), default=0)
        most = max((t.fits for t in tried), default=0)
        fits += most
        held = [t for t in tried if t.held and t.count >= LEAST_HELD * most]
        if tried:
            best = min(held or tried, key=lambda t: (-t.count, sum(b.groups for b in t.blocks)))
            blocks += best.blocks
            if best.count < most:
                uncarried.append(tuple((t.blocks[0].lie.orientation, _uncarried(t)) for t in tried if t.fits == most))
    return Fill(tuple(blocks), area_bound, fits, sum(len(b.rects_mm) for b in blocks), tuple(uncarried))


def _uncarried(filled: Fill) -> tuple[tuple[Array, Array], ...]:
    return tuple(group for b in filled.blocks for group in b.uncarried)


def grid_of(lie: Lie, room_mm: tuple[float, float], placement: PlacementConfig, hardware: HardwareConfig) -> Grid:
    """The grid for a room of `room_mm` across and up; with expansion gaps where the room is longer than a row may be."""
    across, up = lie.along_u_mm + placement.gap_mm, lie.along_v_mm + placement.gap_mm
    extra_u = placement.expansion_allow_mm
    # At a gap up the slope one rail ends past the last line and the next begins before the first.
    extra_v = max(extra_u + hardware.rail_past_mm + hardware.rail_end_mm - placement.gap_mm, extra_u)
    steps_u, period_u = _steps(across, room_mm[0], extra_u, placement)
    steps_v, period_v = _steps(up, room_mm[1], extra_v, placement)
    return Grid(period_u, steps_u, period_v, steps_v, placement.rows == "aligned")


def longest_mm(placement: PlacementConfig) -> float:
    """Length that grows by expansion_allow_mm over the temperature range: ΔL = α·L·ΔT."""
    growth = placement.expansion_per_K * placement.temperature_range_K
    return placement.expansion_allow_mm / growth if growth > 0 else float("inf")


def _steps(pitch_mm: float, room_mm: float, extra_mm: float, placement: PlacementConfig) -> tuple[Array, float]:
    longest = longest_mm(placement)
    if room_mm <= longest:
        return np.zeros(1), pitch_mm
    most = max(1, int((longest + placement.gap_mm) // pitch_mm))
    cells = max(1, int((room_mm + placement.gap_mm) // pitch_mm))
    # As many parts as needed, about equally long, so that no part is a single column.
    count = -(-cells // -(-cells // most))
    return np.arange(count, dtype=float) * pitch_mm, count * pitch_mm + extra_mm


def _part(
    part: BaseGeometry,
    lie: Lie,
    placement: PlacementConfig,
    hardware: HardwareConfig,
    footing: Footings | None,
    beat: int,
) -> Fill:
    """One part laid one way."""
    free = corner_area(part, lie.along_u_mm, lie.along_v_mm)
    half = placement.gap_mm / 2
    pitch = lie.along_u_mm + placement.gap_mm, lie.along_v_mm + placement.gap_mm
    covered = swept(free, -half, -half, lie.along_u_mm + half, lie.along_v_mm + half)
    area_bound = int(covered.area / (pitch[0] * pitch[1]) + 1e-9)
    blocks, fits = [], 0
    clusters = _clusters(free, *pitch)
    for cluster in clusters:
        u0, v0, u1, v1 = cluster.bounds
        room = (u1 - u0 + lie.along_u_mm, v1 - v0 + lie.along_v_mm)
        grid = grid_of(lie, room, placement, hardware)
        middle = 0.5 * (u0 + u1) + lie.along_u_mm / 2
        own = footing[lie.orientation] if footing else ()
        least = beat if len(clusters) == 1 else 0
        packed = best_packing(sections(cluster), grid, placement.min_modules, middle, lie.along_u_mm, own, least)
        rects = np.hstack([packed.corners_mm, packed.corners_mm + np.array([lie.along_u_mm, lie.along_v_mm])])
        together = _in_groups(rects, placement)
        fits += packed.count - int((~together).sum())
        if packed.bound:
            bound = packed.count if grid.aligned else packed.bound
            lone = packed.left_over + int((~together).sum())
            blocks.append(Block(lie, rects[together], bound, lone, packed.groups, packed.held, packed.uncarried))
    return Fill(tuple(blocks), area_bound, fits, sum(len(b.rects_mm) for b in blocks))


def _in_groups(rects_mm: Array, placement: PlacementConfig) -> NDArray[np.bool_]:
    """Which modules `(n, 4)` stand in groups of min_modules and more: where each row stands at its own best place, cells that
    touch on the grid need not touch on the roof."""
    group = groups_of(rects_mm, placement.gap_mm, placement.gap_mm + placement.expansion_allow_mm)
    return np.asarray(np.bincount(group, minlength=1)[group] >= placement.min_modules)


def swept(area: BaseGeometry, left: float, down: float, right: float, up: float) -> BaseGeometry:
    """All points a rectangle from (left, down) to (right, up) covers as its reference point runs over `area`."""
    pairs = outline_sides(area)
    corners = np.array([[left, down], [right, down], [right, up], [left, up]])
    hulls = shapely.convex_hull(shapely.multipoints((pairs[:, :, None, :] + corners).reshape(len(pairs), 8, 2)))
    return shapely.union_all([area, *hulls])


def _clusters(free: BaseGeometry, pitch_u_mm: float, pitch_v_mm: float) -> list[BaseGeometry]:
    """Parts of F grouped so that modules of different groups cannot come nearer than the gap, each to get its own grid."""
    parts = sorted((p for p in shapely.get_parts(free) if p.area > 0), key=lambda p: p.bounds)
    reach = [swept(p, -pitch_u_mm, -pitch_v_mm, pitch_u_mm, pitch_v_mm) for p in parts]
    groups: list[list[int]] = []
    for k, part in enumerate(parts):
        near = [g for g in groups if any(reach[other].intersects(part) for other in g)]
        groups = [g for g in groups if g not in near] + [[k, *(m for g in near for m in g)]]
    return [shapely.multipolygons([parts[k] for k in sorted(g)]) for g in sorted(groups, key=min)]
