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
from rowplane.planes.raster import Line, Mask, Raster, cells_union, near, rasterise

STRIP_MM = 200.0
"""Half the width of what lies on a contact and belongs to neither face: caps, valley trays."""
LEAST_GAIN_MM2, LEAST_GAIN_SHARE = 80_000.0, 0.003
"""Area, and share of the face, that a free line must put right to earn its corners."""
NECK_MM2 = 600_000.0
MOST_SIDES = 62
"""Sides of a place fit the bits of one number."""
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
    kept = _worth_it(raster, contacts, [line for line in lines if not line.kind])
    with np.errstate(divide="ignore", invalid="ignore"):  # the geometry library's own, where a part vanishes
        return _assemble(raster, kept)


def _bounds(raster: Raster) -> list[Line]:
    """The box round the mask: the face ends there at the latest. Short lines in the middle of its sides: no point speaks for them."""
    held = np.argwhere(raster.mask)
    low = raster.low + held.min(axis=0) * raster.step
    high = raster.low + (held.max(axis=0) + 1) * raster.step
    sides = []
    for axis in (0, 1):
        for sign, end in ((-1.0, low), (1.0, high)):
            normal = sign * np.eye(2)[axis]
            middle = 0.5 * float((low + high) @ np.array([-normal[1], normal[0]]))
            sides.append(Line(normal, float(end @ normal), (middle - 0.5, middle + 0.5)))
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
    """The contacts and those free lines that earn their corners by the area they put on its right side.

    Backward elimination: of all free lines the one that is missed least goes, until those gone are missed together.
    """
    free = sorted(free, key=lambda line: line.span[0] - line.span[1])[:MOST_LINES]
    lines = (contacts + free)[:MOST_SIDES]
    # Cells on the same side of every line are always taken or left together: their sums are all that counts.
    parts = _merged(_sides(raster.centres(), lines), *_for_and_against(raster))
    area = float(raster.mask.sum()) * raster.step**2
    least = max(LEAST_GAIN_MM2, LEAST_GAIN_SHARE * area, 3.0 * raster.step**2) / raster.step**2
    kept = list(range(len(contacts), len(lines)))
    lost = 0.0
    while kept:
        missed = [_missed(*parts, np.int64(1) << k) for k in kept]
        lost += min(missed)
        if lost >= least:
            break
        gone = np.int64(1) << kept.pop(int(np.argmin(missed)))
        parts = _merged(parts[0] & ~gone, *parts[1:])
    return lines[: len(contacts)] + [lines[k] for k in kept]


def _for_and_against(raster: Raster) -> tuple[Array, Array]:
    """What speaks per cell for the face and against it; where something stands over it, half a cell speaks against it."""
    mask = raster.mask.ravel()
    return mask.astype(float), np.where(raster.hidden.ravel(), 0.5, 1.0) * ~mask


def _sides(places: Array, lines: list[Line]) -> NDArray[np.int64]:
    """Bit k of each place `(n, 2)`: whether it lies beyond line k."""
    key = np.zeros(len(places), dtype=np.int64)
    for k, line in enumerate(lines):
        key |= (places @ line.normal > line.offset).astype(np.int64) << k
    return key


def _merged(keys: NDArray[np.int64], *sums: Array) -> tuple[NDArray[np.int64], Array, Array]:
    """Each key once, ascending, with the two sums over it."""
    once, inverse = np.unique(keys, return_inverse=True)
    held, against = (np.asarray(np.bincount(inverse.ravel(), s, minlength=len(once)), dtype=float) for s in sums)
    return once, held, against


def _missed(keys: NDArray[np.int64], held: Array, against: Array, bit: np.int64) -> float:
    """Cells more on the wrong side once a line is gone and the parts on both sides of it are taken or left together."""
    here = np.nonzero(keys & bit)[0]
    there = np.searchsorted(keys, keys[here] ^ bit)
    paired = keys[np.minimum(there, len(keys) - 1)] == keys[here] ^ bit
    a, b = here[paired], there[paired]
    apart = np.minimum(held[a], against[a]) + np.minimum(held[b], against[b])
    return float((np.minimum(held[a] + held[b], against[a] + against[b]) - apart).sum())


def _assemble(raster: Raster, lines: list[Line]) -> Polygon:
    """Cut the raster's box by all lines and keep the parts that are mostly covered."""
    if not lines:
        return _largest(cells_union(raster.mask, raster.low, raster.step))
    low = raster.low
    high = low + np.array(raster.mask.shape) * raster.step
    whole = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    keys, held, against = _merged(_sides(raster.centres(), lines), *_for_and_against(raster))
    covered = held > against
    parts = [part for key in keys[covered] if (part := _cell_polygon(whole, lines, key)) is not None]
    if not parts:
        raise ValueError("no area inside the lines")
    parts += _bridges(raster, whole, lines, parts, keys[covered])
    slit = min(0.6 * raster.step, NOTCH_MM)
    union = shapely.unary_union(parts).buffer(slit, join_style="mitre").buffer(-2 * slit, join_style="mitre")
    return _largest(union.buffer(slit, join_style="mitre"))


def _bridges(
    raster: Raster, corners: Array, lines: list[Line], parts: list[Polygon], covered: NDArray[np.int64]
) -> list[Polygon]:
    """Doubtful parts that join large pieces: over a dying ridge a face narrows to less than its caps and trays, or than a cell."""
    joined = shapely.unary_union(parts).buffer(1.0).buffer(-100.0, join_style="mitre")
    large = [g for g in getattr(joined, "geoms", [joined]) if g.area > 0.1 * joined.area]
    if len(large) < 2:
        return []
    centres, third = raster.centres(), raster.step / 3
    shifts = [(x, y) for x in (-third, 0.0, third) for y in (-third, 0.0, third)]
    finer = np.unique(np.concatenate([_sides(centres + np.array(shift), lines) for shift in shifts]))
    doubtful = (_cell_polygon(corners, lines, key) for key in np.setdiff1d(finer, covered))
    small = [part for part in doubtful if part is not None and part.area < NECK_MM2]
    return [part for part in small if sum(part.buffer(110.0).intersects(g) for g in large) >= 2]


def _cell_polygon(corners: Array, lines: list[Line], key: np.int64) -> Polygon | None:
    """The convex part of the box `(4, 2)` on the sides of all lines that `key` tells (Sutherland and Hodgman 1974)."""
    ring = corners
    for bit, line in enumerate(lines):
        side = (ring @ line.normal - line.offset) * (1.0 if key >> bit & 1 else -1.0)
        if (side >= 0).all():
            continue
        after = np.append(side[1:], side[0])
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
