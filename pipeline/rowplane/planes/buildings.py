"""Which planar pieces are ground, which make up a building, and which building is worked on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Point, Polygon

from rowplane.model import Array, Building
from rowplane.planes.grid import Grid
from rowplane.planes.raster import cells_union
from rowplane.planes.segment import CellFace

TOUCH_MM = 900.0
"""Faces nearer than this in plan are one building: wider than a valley or party wall, narrower than a passage."""
OVER_GROUND_MM = 1500.0


@dataclass(frozen=True)
class Group:
    """A building as the indices of its faces, with its plan outline in the survey frame."""

    faces: tuple[int, ...]
    outline: Polygon


def group_buildings(grid: Grid, faces: list[CellFace], roof: NDArray[np.bool_]) -> list[Group]:
    """Faces flagged as `roof` `(len(faces),)`, joined where they touch, the largest building first."""
    if not roof.any():
        return []
    cover = np.zeros(grid.box.size, dtype=bool)
    for face, is_roof in zip(faces, roof, strict=True):
        if is_roof:
            cover |= face.cells
    reach = max(round(0.5 * TOUCH_MM / grid.box.step), 1)
    wide = ndimage.binary_dilation(cover.reshape(grid.box.shape), np.ones((3, 3), dtype=bool), iterations=reach)
    pieces, count = ndimage.label(wide)
    pieces = pieces.ravel()
    groups = []
    for k in range(1, count + 1):
        members = tuple(i for i, f in enumerate(faces) if roof[i] and np.any(pieces[f.cells] == k))
        if members:
            groups.append(Group(members, _plan_outline(grid, cover & (pieces == k))))
    return sorted(groups, key=lambda g: -g.outline.area)


def _plan_outline(grid: Grid, cells: NDArray[np.bool_]) -> Polygon:
    gap = 2.0 * grid.box.step
    covered = cells_union(cells.reshape(grid.box.shape), grid.box.low[:2], grid.box.step)
    shape = covered.buffer(gap, join_style="mitre").buffer(-gap, join_style="mitre")
    parts = [g for g in getattr(shape, "geoms", [shape]) if isinstance(g, Polygon)]
    best = max(parts, key=lambda g: g.area)
    return Polygon(best.exterior).simplify(0.8 * grid.box.step)


def is_ground(grid: Grid, faces: list[CellFace]) -> NDArray[np.bool_]:
    """Faces that lie on the lowest surface about them, where something stands clearly higher; none in a bare roof scan."""
    ground = _ground(grid)
    over = np.array([float(np.median(_mean_z(grid, f.cells) - ground[f.cells])) for f in faces])
    low = over < OVER_GROUND_MM
    flat = np.array([f.fit.normal[2] > np.cos(np.radians(30.0)) for f in faces])
    if not low.any() or (over < OVER_GROUND_MM).all():
        return np.zeros(len(faces), dtype=bool)
    return np.asarray(low & flat)


def _mean_z(grid: Grid, cells: NDArray[np.bool_]) -> Array:
    return np.asarray(grid.moments[3, cells] / np.maximum(grid.moments[0, cells], 1))


def _ground(grid: Grid) -> Array:
    """Lowest surface within six metres, single low cells left out, `(size,)`, z from the grid's low corner."""
    floor = ndimage.median_filter(grid.floor.reshape(grid.box.shape), size=3, mode="nearest")
    size = 2 * int(np.ceil(6000.0 / grid.box.step)) + 1
    return np.asarray(ndimage.minimum_filter(floor, size=size, mode="nearest")).ravel()


def choose(grid: Grid, groups: list[Group], footprint: Polygon | None, at: tuple[float, float] | None) -> int:
    """Index of the building to work on: most overlap with the footprint, else nearest `at`, else at the scan's middle."""
    if footprint is not None:
        return int(np.argmax([g.outline.intersection(footprint).area for g in groups]))
    if at is not None:
        return int(np.argmin([g.outline.distance(Point(at)) for g in groups]))
    seen = grid.box.centres()[grid.moments[0] > 0] + grid.box.low[:2]
    middle = Point(*(0.5 * (seen.min(axis=0) + seen.max(axis=0))))
    worth = [g.outline.area * np.exp(-g.outline.distance(middle) / 4000.0) for g in groups]
    return int(np.argmax(worth))


def listed(groups: list[Group], chosen: int) -> tuple[Building, ...]:
    """All buildings for the record, the largest first."""
    return tuple(Building(g.outline, float(g.outline.area) / 1e6, k == chosen) for k, g in enumerate(groups))
