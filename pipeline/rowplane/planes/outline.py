"""Outline of a face from straight lines: intersections with its neighbours, and the free edges of its points."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Polygon, box
from shapely.geometry.polygon import orient

from rowplane.model import Array, EdgeKind

Mask = NDArray[np.bool_]
SHORTEST_MM = 350.0
NOTCH_MM = 120.0
"""Half the width of notches and spurs that no roof edge has."""


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

    `hidden` cells have something over them, so that no point does not mean no roof.
    """

    low: Array
    step: float
    mask: Mask
    hidden: Mask

    def centres(self) -> Array:
        """Centres of all cells `(n, 2)`, u, v, mm."""
        i, j = np.divmod(np.arange(self.mask.size), self.mask.shape[1])
        return self.low + (np.column_stack([i, j]) + 0.5) * self.step


def rasterise(uv: Array, others: Array, step: float, hides: Callable[[Array], Mask]) -> Raster:
    """Occupied cells of points `(n, 2)`: gaps of a cell or two and interior holes are closed, spurs taken off.

    Cells in which points of other faces `(m, 2)` outnumber the face's own are theirs.
    """
    margin = 4
    low = np.floor(uv.min(axis=0) / step) * step - margin * step
    shape = np.ceil((uv.max(axis=0) - low) / step).astype(int) + margin
    count, other = _count(uv, low, step, shape), _count(others, low, step, shape)
    around = np.ones((3, 3), dtype=bool)
    mask = ndimage.binary_closing(count > other, around)
    mask = ndimage.binary_fill_holes(ndimage.binary_opening(mask, around)) & (other <= count)
    raster = Raster(low, step, mask, np.zeros_like(mask))
    hidden = hides(raster.centres()).reshape(mask.shape) & ~mask
    return replace(raster, hidden=hidden)


def _count(uv: Array, low: Array, step: float, shape: Array) -> Array:
    place = np.floor((uv - low) / step).astype(int)
    place = place[((place >= 0) & (place < shape)).all(axis=1)]
    flat = np.bincount(place[:, 0] * shape[1] + place[:, 1], minlength=int(shape[0] * shape[1]))
    return np.asarray(flat.reshape(shape))


def draw_outline(
    uvh: Array, owner: Array, face: int, step: float, contacts: list[Line], hints: list[Line], hides: Callable[[Array], Mask]
) -> Polygon:
    """Polygon of a face, counter-clockwise, from all points near its sheet `(n, 3)`: u, v, height over the sheet, mm.

    `owner` `(n,)` names the face of each, −1 for none; `step` is the raster's cell: two point spacings; `hides` tells which places `(m, 2)` have
    something over them. `hints` are lines on which the face may end where nothing better is seen. Raises ValueError where no area is left.
    """
    mine = owner == face
    raster = rasterise(uvh[mine, :2], uvh[~mine & (owner >= 0), :2], step, hides)
    lines = _apart(contacts + _free_lines(raster, uvh, mine, contacts) + hints, step)
    return _assemble(raster, lines)


def _free_lines(raster: Raster, uvh: Array, mine: Mask, contacts: list[Line]) -> list[Line]:
    found: list[Line] = []
    rest = _boundary(raster, contacts)
    for axis in (0, 1):
        for side in (-1.0, 1.0):
            normal = side * np.eye(2)[axis]
            ends = _ends(raster, axis, side)
            for level, span in _levels(raster, ends, rest, axis, side):
                found.append(_refine(Line(normal, level, span), uvh, mine, raster.step))
    rest &= ~_near(raster, found, 2.0 * raster.step)
    return found + _oblique(raster, uvh, mine, rest)


def _boundary(raster: Raster, contacts: list[Line]) -> Mask:
    """Boundary cells of the raster that no contact and nothing standing over them explains."""
    inner = ndimage.binary_erosion(raster.mask)
    beside = ndimage.binary_dilation(raster.hidden, np.ones((3, 3), dtype=bool), iterations=2)
    return raster.mask & ~inner & ~beside & ~_near(raster, contacts, max(2.0 * raster.step, 350.0))


def _near(raster: Raster, lines: list[Line], reach: float) -> Mask:
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


def _ends(raster: Raster, axis: int, side: float) -> Array:
    """Outer ends of the runs along `axis` in direction `side`: `(m, 2)` of index across, index along."""
    mask = raster.mask if axis == 1 else raster.mask.T
    shifted = np.zeros_like(mask)
    if side > 0:
        shifted[:, :-1] = mask[:, 1:]
    else:
        shifted[:, 1:] = mask[:, :-1]
    return np.argwhere(mask & ~shifted)


def _levels(
    raster: Raster, ends: Array, rest: Mask, axis: int, side: float
) -> list[tuple[float, tuple[float, float]]]:
    """Positions along `normal` at which many runs end together, with the stretch over which they do."""
    if not len(ends):
        return []
    free = rest if axis == 1 else rest.T
    ends = ends[free[ends[:, 0], ends[:, 1]]]
    least = max(3, int(np.ceil(SHORTEST_MM / raster.step)))
    found: list[tuple[float, tuple[float, float]]] = []
    while len(ends) >= least:
        values = ends[:, 1]
        count = np.bincount(values, minlength=raster.mask.shape[axis] + 3)
        three = count[:-2] + count[1:-1] + count[2:]
        peak = int(np.argmax(three)) + 1
        if three[peak - 1] < least:
            break
        near = np.abs(values - peak) <= 1
        chosen = ends[near]
        middle = float(chosen[:, 1].mean()) + (1.0 if side > 0 else 0.0)
        level = raster.low[axis] + middle * raster.step
        across = raster.low[1 - axis] + (np.array([chosen[:, 0].min(), chosen[:, 0].max() + 1])) * raster.step
        # The line's own direction is (−normal_v, normal_u): the span changes sign with it.
        turn = -side if axis == 1 else side
        span = sorted(float(turn * a) for a in across)
        found.append((side * level, (span[0], span[1])))
        ends = ends[np.abs(values - peak) > 2]
    return found


def _refine(line: Line, uvh: Array, mine: Mask, step: float) -> Line:
    """Move a free edge to where the face's points end: half of the density inside, and no longer at the sheet's height.

    A gutter lies in the sheet's scatter, but its mean height does not; along a whole edge the tile relief cancels.
    """
    away, t = uvh[:, :2] @ line.normal - line.offset, uvh[:, :2] @ line.along
    trim = min(0.1 * (line.span[1] - line.span[0]), 300.0)
    depth = 1200.0 + 1.5 * step
    here = (t > line.span[0] + trim) & (t < line.span[1] - trim) & (away > -depth) & (away < 3 * step)
    own = here & mine
    inside = own & (away < -2.0 * step)
    density = float(inside.sum()) / (depth - 2.0 * step)
    if inside.sum() < 15:
        return line
    width = float(np.clip(30.0 / density, 12.0, step))
    bins = np.arange(-depth, 3 * step + width, width)
    fill = np.histogram(away[own], bins)[0] / (density * width)
    place = np.digitize(away[here], bins) - 1
    many = np.maximum(np.bincount(place, minlength=len(bins))[: len(fill)], 1)
    mean = np.bincount(place, uvh[here, 2], minlength=len(bins))[: len(fill)] / many
    deep = bins[1:] < -2.0 * step
    usual, scatter = float(np.median(mean[deep])), 1.4826 * float(np.median(np.abs(mean[deep] - np.median(mean[deep]))))
    ends = (fill < 0.5) | (np.abs(mean - usual) > max(4.0 * scatter, 15.0))
    ends[deep] = False
    k = int(np.argmax(ends)) if ends.any() else len(fill) - 1
    # What the last bin holds less than its share is beyond the edge, what the next one holds is inside.
    short = float(np.clip(1.0 - fill[k - 1], 0.0, 0.5))
    more = float(np.clip(fill[k], 0.0, 1.0)) if fill[k] < 0.5 else 0.0
    return replace(line, offset=line.offset + float(bins[k]) + (more - short) * width)


def _oblique(raster: Raster, uvh: Array, mine: Mask, rest: Mask) -> list[Line]:
    """Lines through boundary stretches that run neither along the eave nor up the slope."""
    found: list[Line] = []
    labels, count = ndimage.label(rest, np.ones((3, 3), dtype=bool))
    centres = raster.centres().reshape(*rest.shape, 2)
    inner = centres[raster.mask].mean(axis=0)
    for k in range(1, count + 1):
        cells = centres[labels == k]
        while len(cells) * raster.step > 1000.0:
            line, used = _longest_line(cells, inner, raster.step)
            if line is None:
                break
            found.append(_refine(line, uvh, mine, raster.step))
            cells = cells[~used]
    return found


def _longest_line(cells: Array, inner: Array, step: float) -> tuple[Line | None, Mask]:
    """The direction out of 60 along which most boundary cells line up, at least a metre of them."""
    best, kept = 0, None
    for angle in np.arange(60) * np.pi / 60:
        normal = np.array([np.cos(angle), np.sin(angle)])
        away = cells @ normal
        order = np.sort(away)
        many = np.searchsorted(order, order + 1.5 * step) - np.arange(len(order))
        k = int(np.argmax(many))
        if many[k] > best:
            best, kept = int(many[k]), (normal, order[k] + 0.75 * step)
    if kept is None or best * step < 1000.0:
        return None, np.zeros(len(cells), dtype=bool)
    normal, offset = kept
    used = np.abs(cells @ normal - offset) < 1.2 * step
    middle = cells[used].mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((cells[used] - middle).T))
    normal = vectors[:, 0]
    if (inner - middle) @ normal > 0:
        normal = -normal
    t = cells[used] @ np.array([-normal[1], normal[0]])
    return Line(normal, float(middle @ normal) + 0.5 * step, (float(t.min()), float(t.max()))), used


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


def _assemble(raster: Raster, lines: list[Line]) -> Polygon:
    """Cut the raster's box by all lines and keep the parts that are mostly covered."""
    centres = raster.centres()
    sides = np.stack([centres @ line.normal > line.offset for line in lines], axis=1) if lines else None
    low = raster.low
    high = low + np.array(raster.mask.shape) * raster.step
    whole = box(low[0], low[1], high[0], high[1])
    if sides is None:
        return _largest(_mask_polygon(raster))
    keys, inverse = np.unique(sides, axis=0, return_inverse=True)
    inverse = inverse.ravel()
    # Where something stands over the face, half a cell speaks against it: a part of which little is seen is not its own.
    weight = np.where(raster.hidden.ravel(), 0.5, 1.0)
    covered = np.bincount(inverse, raster.mask.ravel(), minlength=len(keys)) / np.bincount(inverse, weight, minlength=len(keys))
    parts = [_cell_polygon(whole, lines, key) for key in keys[covered > 0.5]]
    if not parts:
        raise ValueError("no area inside the lines")
    slit = max(0.6 * raster.step, NOTCH_MM)
    union = shapely.unary_union(parts).buffer(slit, join_style="mitre").buffer(-2 * slit, join_style="mitre")
    return _largest(union.buffer(slit, join_style="mitre"))


def _mask_polygon(raster: Raster) -> Polygon:
    cells = raster.centres()[raster.mask.ravel()]
    h = raster.step / 2
    return shapely.unary_union(shapely.box(cells[:, 0] - h, cells[:, 1] - h, cells[:, 0] + h, cells[:, 1] + h))


def _cell_polygon(whole: Polygon, lines: list[Line], key: Mask) -> Polygon:
    polygon = whole
    far = 2 * float(np.hypot(whole.bounds[2] - whole.bounds[0], whole.bounds[3] - whole.bounds[1])) + 1.0
    for line, beyond in zip(lines, key, strict=True):
        out = line.normal * (1.0 if beyond else -1.0)
        middle = np.array([whole.centroid.x, whole.centroid.y])
        foot = middle + (line.offset - float(middle @ line.normal)) * line.normal
        a, b = foot - far * line.along, foot + far * line.along
        polygon = polygon.intersection(Polygon([a, b, b + 2 * far * out, a + 2 * far * out]))
    return polygon


def _largest(shape: shapely.Geometry) -> Polygon:
    parts = [g for g in getattr(shape, "geoms", [shape]) if isinstance(g, Polygon) and g.area > 0]
    if not parts:
        raise ValueError("no area inside the lines")
    best = max(parts, key=lambda g: g.area)
    return orient(Polygon(best.exterior).simplify(2.0), 1.0)
