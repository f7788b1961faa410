"""Outline of a face from straight lines: intersections with its neighbours, and the free edges of its points."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from rowplane.model import Array
from rowplane.planes.freelines import MOST_LINES, free_lines
from rowplane.planes.raster import Line, Mask, Raster, near, rasterise

STRIP_MM = 200.0
"""Half the width of what lies on a contact and belongs to neither face: caps, valley trays."""
LEAST_GAIN_MM2, LEAST_GAIN_SHARE = 80_000.0, 0.003
"""Area, and share of the face, that a free line must put right to earn its corners."""
NECK_MM2 = 600_000.0
NOTCH_MM = 120.0
"""Half the width of notches and spurs that no roof edge has."""


def draw_outline(
    uvh: Array, owner: NDArray[np.int16], face: int, step: float, contacts: list[Line], hints: list[Line], hides: Callable[[Array], Mask]
) -> Polygon:
    """Polygon of a face, counter-clockwise, from all points near its sheet `(n, 3)`: u, v, height over the sheet, mm.

    `owner` `(n,)` names the face of each, −1 for none; `step` is the raster's cell: two point spacings; `hides` tells which
    places `(m, 2)` have something over them. `hints` are lines on which the face may end where nothing better is seen.
    Raises ValueError where no area is left.
    """
    mine = owner == face
    raster = rasterise(uvh[mine, :2], uvh[~mine & (owner >= 0), :2], step, hides)
    # Caps and valley trays belong to neither face: along a contact, no point speaks neither for the face nor against it.
    strips = near(raster, contacts, STRIP_MM) & ~raster.mask & ~raster.foreign
    raster = replace(raster, hidden=raster.hidden | strips)
    alone = mine | (owner < 0)
    seen, beyond = free_lines(raster, uvh[alone], mine[alone], contacts)
    lines = _apart(contacts + seen + hints + _bounds(raster), step)
    raster = replace(raster, mask=raster.mask & ~beyond)
    return _assemble(raster, _worth_it(raster, contacts, [line for line in lines if not line.kind]))


def _bounds(raster: Raster) -> list[Line]:
    """The box round the mask: the face ends there at the latest."""
    held = np.argwhere(raster.mask)
    low = raster.low + held.min(axis=0) * raster.step
    high = raster.low + (held.max(axis=0) + 1) * raster.step
    sides = []
    for axis in (0, 1):
        for sign, end in ((-1.0, low), (1.0, high)):
            normal = sign * np.eye(2)[axis]
            along = np.array([-normal[1], normal[0]])
            span = sorted((float(low @ along), float(high @ along)))
            sides.append(Line(normal, float(end @ normal), (span[0], span[0] + 1.0)))
    return sides


def _apart(lines: list[Line], step: float) -> list[Line]:
    """Leave out a free line that all but repeats an earlier one; caps and chimneys make such lines beside a contact."""
    kept: list[Line] = []
    for line in lines:
        middle = 0.5 * (line.span[0] + line.span[1]) * line.along + line.offset * line.normal
        double = False
        for other in kept:
            near = max(2.0 * step, 250.0) if other.kind and not line.kind else max(step, 80.0)
            beside = other.span[0] - 500.0 < float(middle @ other.along) < other.span[1] + 500.0 or not other.kind
            turned = abs(float(line.normal @ other.along)) > 0.05
            double |= beside and not turned and abs(float(middle @ other.normal) - other.offset) < near
        if not double:
            kept.append(line)
    return kept


def _worth_it(raster: Raster, contacts: list[Line], free: list[Line]) -> list[Line]:
    """The contacts and those free lines that earn their corners: each must put a fair area on its right side.

    Backward elimination: of all free lines the one that is missed least goes, until each that is left is missed.
    """
    free = sorted(free, key=lambda line: line.span[0] - line.span[1])[:MOST_LINES]
    lines = (contacts + free)[:62]
    centres = raster.centres()
    key = np.zeros(len(centres), dtype=np.int64)
    for k, line in enumerate(lines):
        key |= (centres @ line.normal > line.offset).astype(np.int64) << k
    # Cells on the same side of every line are always taken or left together: their sums are all that counts.
    keys, inverse = np.unique(key, return_inverse=True)
    held = np.asarray(np.bincount(inverse.ravel(), raster.mask.ravel()), dtype=float)
    against = np.asarray(np.bincount(inverse.ravel(), np.where(raster.hidden.ravel(), 0.5, 1.0) * ~raster.mask.ravel()), dtype=float)
    area = float(held.sum()) * raster.step**2
    least = max(LEAST_GAIN_MM2, LEAST_GAIN_SHARE * area, 3.0 * raster.step**2) / raster.step**2
    kept = list(range(len(contacts), len(lines)))
    every = np.int64(-1)
    wrong = _wrong(keys, held, against)
    while kept:
        after = [_wrong(keys & (every & ~(np.int64(1) << k)), held, against) for k in kept]
        least_missed = int(np.argmin(after))
        if after[least_missed] - wrong >= least:
            break
        every &= ~(np.int64(1) << kept.pop(least_missed))
    return lines[: len(contacts)] + [lines[k] for k in kept]


def _wrong(keys: NDArray[np.int64], held: Array, against: Array) -> float:
    """Cells that end up on the wrong side when all of one key are taken or left as a whole."""
    inverse = np.unique(keys, return_inverse=True)[1].ravel()
    return float(np.minimum(np.bincount(inverse, held), np.bincount(inverse, against)).sum())


def _assemble(raster: Raster, lines: list[Line]) -> Polygon:
    """Cut the raster's box by all lines and keep the parts that are mostly covered."""
    if not lines:
        return _largest(_mask_polygon(raster))
    centres = raster.centres()
    low = raster.low
    high = low + np.array(raster.mask.shape) * raster.step
    whole = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    sides = np.stack([centres @ line.normal > line.offset for line in lines], axis=1)
    keys, inverse = np.unique(sides, axis=0, return_inverse=True)
    inverse = inverse.ravel()
    # Where something stands over the face, half a cell speaks against it: a part of which little is seen is not its own.
    weight = np.where(raster.hidden.ravel(), 0.5, 1.0)
    covered = np.bincount(inverse, raster.mask.ravel(), minlength=len(keys)) / np.bincount(inverse, weight, minlength=len(keys))
    parts = [part for key in keys[covered > 0.5] if (part := _cell_polygon(whole, lines, key)) is not None]
    if not parts:
        raise ValueError("no area inside the lines")
    doubtful = [part for key in keys[covered <= 0.5] if (part := _cell_polygon(whole, lines, key)) and part.area < NECK_MM2]
    parts += _bridges(parts, doubtful)
    slit = min(0.6 * raster.step, NOTCH_MM)
    union = shapely.unary_union(parts).buffer(slit, join_style="mitre").buffer(-2 * slit, join_style="mitre")
    return _largest(union.buffer(slit, join_style="mitre"))


def _bridges(parts: list[Polygon], doubtful: list[Polygon]) -> list[Polygon]:
    """Doubtful parts that join large pieces: over a dying ridge a face narrows to less than its caps and trays."""
    joined = shapely.unary_union(parts).buffer(1.0).buffer(-100.0, join_style="mitre")
    large = [g for g in getattr(joined, "geoms", [joined]) if g.area > 0.1 * joined.area]
    if len(large) < 2:
        return []
    return [part for part in doubtful if sum(part.buffer(110.0).intersects(g) for g in large) >= 2]


def _mask_polygon(raster: Raster) -> Polygon:
    cells = raster.centres()[raster.mask.ravel()]
    h = raster.step / 2
    return shapely.unary_union(shapely.box(cells[:, 0] - h, cells[:, 1] - h, cells[:, 0] + h, cells[:, 1] + h))


def _cell_polygon(corners: Array, lines: list[Line], key: Mask) -> Polygon | None:
    """The convex part of the box `(4, 2)` on the sides of all lines that `key` tells (Sutherland and Hodgman 1974)."""
    ring = corners
    for line, beyond in zip(lines, key, strict=True):
        side = (ring @ line.normal - line.offset) * (1.0 if beyond else -1.0)
        if (side >= 0).all():
            continue
        after = np.roll(side, -1)
        pieces = []
        for k in range(len(ring)):
            if side[k] >= 0:
                pieces.append(ring[k])
            if side[k] * after[k] < 0:
                pieces.append(ring[k] + (ring[(k + 1) % len(ring)] - ring[k]) * (side[k] / (side[k] - after[k])))
        if len(pieces) < 3:
            return None
        ring = np.array(pieces)
    return Polygon(ring)


def _largest(shape: shapely.Geometry) -> Polygon:
    parts = [g for g in getattr(shape, "geoms", [shape]) if isinstance(g, Polygon) and g.area > 0]
    if not parts:
        raise ValueError("no area inside the lines")
    best = max(parts, key=lambda g: g.area)
    return orient(Polygon(best.exterior).simplify(2.0), 1.0)
