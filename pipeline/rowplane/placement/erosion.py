"""Where the lower left corner of one module may stand so that the module lies wholly in the usable area.

That set F is the usable area eroded by the module's rectangle. Read along a line across the slope it is a list of closed
intervals whose ends move linearly between the levels where F has corners, which is what makes packing exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from rowplane.model import Array

FIT_MM = 1e-6
"""A module may stick out by this much: rounding must not cost a row that fits to the millimetre."""
SKIN_MM = 1e-7
"""Far above rounding, far below FIT_MM."""
LEVEL_MM = 1e-9
"""Sides that rise less than this are level, and levels nearer than this are one."""


def corner_area(usable: BaseGeometry, along_u_mm: float, along_v_mm: float) -> BaseGeometry:
    """The set F of `usable` for a module of `along_u_mm` × `along_v_mm`: a polygon or several, u, v, mm, possibly empty.

    A corner is forbidden where the module would meet the outside; the outside spreads from its own boundary only, so F
    is the usable area minus, for each side of its outline, all corners whose module touches that side (a hexagon).
    """
    pairs = outline_sides(usable)
    if not len(pairs):
        return Polygon()
    along = pairs[:, 1] - pairs[:, 0]
    outwards = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(along[:, 0], along[:, 1])[:, None]
    # A hexagon that ends exactly on its own side leaves slivers of rounding along it: let it begin just outside.
    pairs = np.concatenate([pairs, pairs + SKIN_MM * outwards[:, None, :]], axis=1)
    across, up = along_u_mm - 2 * FIT_MM, along_v_mm - 2 * FIT_MM
    corners = np.array([[0.0, 0.0], [across, 0.0], [across, up], [0.0, up]])
    swept = (pairs[:, :, None, :] - corners[None, None, :, :]).reshape(len(pairs), 16, 2)
    hexagons = shapely.convex_hull(shapely.multipoints(swept))
    free = shapely.difference(usable, shapely.union_all(hexagons))
    return shapely.transform(free, lambda xy: xy - FIT_MM)


@dataclass(frozen=True)
class Sections:
    """F cut into level bands: within band k, `levels[k] ≤ t ≤ levels[k + 1]`, it is `width` trapezoids or fewer.

    `left`, `right` `(bands, width, 3)` are the two sides as (t, s there, slope); a missing trapezoid has left +inf and
    right −inf. `lefts`, `rights` `(n, 4)` are all sides that are not level as (t_low, t_high, s at t_low, slope).
    """

    levels: Array
    left: Array
    right: Array
    lefts: Array
    rights: Array

    @property
    def empty(self) -> bool:
        """True where no module fits at all."""
        return len(self.levels) < 2

    def at(self, t_mm: Array) -> tuple[Array, Array]:
        """Interval ends `(…, width)` at every `t_mm` `(…)`; where there is none, (inf, −inf)."""
        band = np.searchsorted(self.levels, t_mm, side="right") - 1
        outside = (band < 0) | (band >= len(self.levels) - 1)
        band = np.where(outside, 0, band)
        low, high = (
            side[band, :, 1] + side[band, :, 2] * (t_mm[..., None] - side[band, :, 0]) for side in (self.left, self.right)
        )
        low[outside], high[outside] = np.inf, -np.inf
        return low, high


def sections(area: BaseGeometry) -> Sections:
    """Level bands of a polygon or several; an empty area gives no bands."""
    sides = _sides(area)
    if not len(sides):
        nothing = np.zeros((0, 0, 3))
        return Sections(np.zeros(0), nothing, nothing, np.zeros((0, 4)), np.zeros((0, 4)))
    levels = np.unique(shapely.get_coordinates(area)[:, 1])
    levels = levels[np.concatenate([[True], np.diff(levels) > LEVEL_MM])]
    middle = 0.5 * (levels[:-1] + levels[1:])
    spans = (sides[None, :, 0] <= middle[:, None]) & (sides[None, :, 1] >= middle[:, None])
    s = np.where(spans, sides[None, :, 2] + sides[None, :, 3] * (middle[:, None] - sides[None, :, 0]), np.inf)
    width = int(spans.sum(axis=1).max(initial=0)) // 2
    order = np.argsort(s, axis=1, kind="stable")[:, : 2 * width]
    real = np.take_along_axis(spans, order, axis=1)
    line = sides[:, [0, 2, 3]][order]
    nowhere = np.array([[0.0, np.inf, 0.0], [0.0, -np.inf, 0.0]])[np.arange(2 * width) % 2]
    line = np.where(real[..., None], line, nowhere)
    down = sides[:, 4] < 0
    return Sections(levels, line[:, 0::2], line[:, 1::2], sides[down, :4], sides[~down, :4])


def outline_sides(area: BaseGeometry) -> Array:
    """All sides of a polygon or several `(n, 2, 2)`, from and to, u, v; the inside lies left of each. Lines count nothing."""
    pairs = [np.zeros((0, 2, 2))]
    for polygon in shapely.get_parts(area):
        if isinstance(polygon, Polygon) and not polygon.is_empty:
            oriented = orient(polygon, 1.0)
            for ring in (oriented.exterior, *oriented.interiors):
                points = shapely.get_coordinates(ring)
                pairs.append(np.stack([points[:-1], points[1:]], axis=1))
    sides = np.concatenate(pairs)
    return sides[np.any(sides[:, 0] != sides[:, 1], axis=1)]


def _sides(area: BaseGeometry) -> Array:
    """Every side that is not level as (t_low, t_high, s at t_low, slope, direction)."""
    a, b = np.moveaxis(outline_sides(area), 1, 0)
    keep = np.abs(b[:, 1] - a[:, 1]) > LEVEL_MM
    a, b = a[keep], b[keep]
    rise = b[:, 1] - a[:, 1]
    low = np.where((rise > 0)[:, None], a, b)
    slope = (b[:, 0] - a[:, 0]) / rise
    return np.column_stack([low[:, 1], low[:, 1] + np.abs(rise), low[:, 0], slope, np.sign(rise)])
