"""What stands on a face or hides it: clusters of points above it, and holes without points."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import MultiPoint, Polygon, box

from rowplane.model import Array, Obstacle
from rowplane.planes.raster import Raster, cells_union

LEAST_ABOVE_MM = 25.0
LEAST_HOLE_MM2 = 120_000.0


def find_obstacles(uvw: Array, high: float, outline: Polygon, step: float) -> tuple[Obstacle, ...]:
    """Obstacles and holes of a face from all points `(n, 3)` over it, u, v, w mm.

    `high` is the greatest height of the face's own points; `step` two point spacings.
    """
    inside = shapely.contains_xy(outline.buffer(step / 2), uvw[:, 0], uvw[:, 1])
    uvw = uvw[inside]
    if not len(uvw):
        return ()
    low = np.array(outline.bounds[:2]) - 2 * step
    shape = np.ceil((np.array(outline.bounds[2:]) - low) / step).astype(int) + 2
    place = ((uvw[:, :2] - low) / step).astype(int)
    flat = place[:, 0] * shape[1] + place[:, 1]
    every = np.bincount(flat, minlength=int(shape[0] * shape[1])).reshape(shape)
    above = uvw[:, 2] > high + LEAST_ABOVE_MM
    over = np.bincount(flat[above], minlength=int(shape[0] * shape[1])).reshape(shape)
    usual = max(float(np.median(every[every > 0])), 1.0)
    standing = _standing(uvw[above], place[above], over, usual, step)
    return (*standing, *_holes(Raster(low, step, every > 0, every < 0, every < 0), outline, standing))


def _standing(uvw: Array, place: NDArray[np.int64], over: NDArray[np.int64], usual: float, step: float) -> tuple[Obstacle, ...]:
    many = over >= max(0.35 * usual, 1.0)
    labels, count = ndimage.label(many, np.ones((3, 3), dtype=bool))
    own = labels[place[:, 0], place[:, 1]]
    found = []
    for k in range(1, count + 1):
        points = uvw[own == k]
        if len(points) < max(6, 1.2 * usual):
            continue
        found.append(Obstacle(_shape(points[:, :2], step), float(np.percentile(points[:, 2], 98)), "obstacle"))
    return tuple(found)


def _shape(uv: Array, step: float) -> Polygon:
    """Rectangle along the eave where the points fill one, else their hull, half a spacing wider."""
    low, high = np.percentile(uv, 1, axis=0), np.percentile(uv, 99, axis=0)
    rectangle = box(*low, *high)
    hull = MultiPoint(uv).convex_hull
    filled = hull.area > 0.75 * rectangle.area or not isinstance(hull, Polygon)
    return (rectangle if filled else hull).buffer(step / 4, join_style="mitre")


def _holes(seen: Raster, outline: Polygon, standing: tuple[Obstacle, ...]) -> tuple[Obstacle, ...]:
    closed = ndimage.binary_closing(seen.mask, np.ones((3, 3), dtype=bool))
    centres = seen.centres()
    within = shapely.contains_xy(outline.buffer(-seen.step), centres[:, 0], centres[:, 1]).reshape(closed.shape)
    for obstacle in standing:
        wide = obstacle.outline.buffer(1.5 * seen.step)
        within &= ~shapely.contains_xy(wide, centres[:, 0], centres[:, 1]).reshape(closed.shape)
    labels, count = ndimage.label(within & ~closed)
    found = []
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    least = max(9.0, LEAST_HOLE_MM2 / seen.step**2)
    for k in (k for k in range(1, count + 1) if sizes[k] >= least):
        h = seen.step / 2
        # Cells that touch at a corner only are one hole: a hair's width joins their squares.
        shape = cells_union(labels == k, seen.low, seen.step).buffer(0.01 * h, join_style="mitre")
        hull = shape.convex_hull
        found.append(Obstacle(hull if hull.area < 1.4 * shape.area else Polygon(shape.exterior).simplify(h), 0.0, "hole"))
    return tuple(found)
