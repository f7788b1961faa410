"""A face's points as a raster in its own u, v, and straight lines in it: what outlines are worked out from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from rowplane.model import Array, EdgeKind

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Line:
    """Straight line `normal` · (u, v) = `offset`, mm; `kind` and `neighbour` where it is a contact with another face.

    `span` is the stretch along (−normal_v, normal_u) over which it bounds the face.
    """

    normal: Array
    offset: float
    span: tuple[float, float]
    kind: EdgeKind | None = None
    neighbour: int | None = None

    @property
    def along(self) -> Array:
        """Unit direction of the line."""
        return np.array([-self.normal[1], self.normal[0]])


@dataclass(frozen=True)
class Raster:
    """Cells of `step` mm from `low` `(2,)` in u, v: `mask` holds points of the face, small gaps closed.

    `hidden` cells have something over them, so that no point does not mean no roof; `foreign` ones are another face's.
    """

    low: Array
    step: float
    mask: Mask
    hidden: Mask
    foreign: Mask

    def centres(self) -> Array:
        """Centres of all cells `(n, 2)`, u, v, mm."""
        i, j = np.divmod(np.arange(self.mask.size), self.mask.shape[1])
        return self.low + (np.column_stack([i, j]) + 0.5) * self.step


def rasterise(uv: Array, others: Array, step: float, hides: Callable[[Array], Mask]) -> Raster:
    """Occupied cells of points `(n, 2)`: gaps of a cell or two and interior holes are closed, crumbs left out.

    Cells in which points of other faces `(m, 2)` outnumber the face's own are theirs.
    """
    margin = 4
    low = np.floor(uv.min(axis=0) / step) * step - margin * step
    shape = np.ceil((uv.max(axis=0) - low) / step).astype(int) + margin
    count, other = _count(uv, low, step, shape), _count(others, low, step, shape)
    around = np.ones((3, 3), dtype=bool)
    mask = ndimage.binary_closing(count > other, around)
    mask = _without_crumbs(ndimage.binary_fill_holes(mask) & (other <= count))
    raster = Raster(low, step, mask, np.zeros_like(mask), other > count)
    hidden = hides(raster.centres()).reshape(mask.shape) & ~mask
    return replace(raster, hidden=hidden)


def _without_crumbs(mask: Mask) -> Mask:
    """The mask without pieces far smaller than its largest."""
    labels, count = ndimage.label(mask, np.ones((3, 3), dtype=bool))
    if count < 2:
        return mask
    sizes = np.bincount(labels.ravel())[1:]
    return np.asarray(mask & (np.concatenate([[0], sizes])[labels] >= 0.05 * sizes.max()))


def _count(uv: Array, low: Array, step: float, shape: Array) -> Array:
    place = np.floor((uv - low) / step).astype(int)
    place = place[((place >= 0) & (place < shape)).all(axis=1)]
    flat = np.bincount(place[:, 0] * shape[1] + place[:, 1], minlength=int(shape[0] * shape[1]))
    return np.asarray(flat.reshape(shape))


def near(raster: Raster, lines: list[Line], reach: float) -> Mask:
    """Cells within `reach` of the stretch of a line."""
    hit = np.zeros(raster.mask.shape, dtype=bool)
    centres = raster.centres()
    for line in lines:
        away = np.abs(centres @ line.normal - line.offset)
        t = centres @ line.along
        slack = max(reach, 500.0) if line.kind else reach
        close = (away < reach) & (t > line.span[0] - slack) & (t < line.span[1] + slack)
        hit |= close.reshape(hit.shape)
    return hit


def cells_union(mask: Mask, low: Array, step: float) -> BaseGeometry:
    """Area of the set cells of a mask whose corner is at `low` `(2,)`, row by row: a square per cell takes ten times as long."""
    padded = np.pad(mask, ((0, 0), (1, 1))).astype(np.int8)
    change = np.diff(padded, axis=1)
    (row, first), (_, last) = np.nonzero(change == 1), np.nonzero(change == -1)
    x = low[0] + row * step
    return shapely.unary_union(shapely.box(x, low[1] + first * step, x + step, low[1] + last * step))
