"""Outline of a face from straight lines: intersections with its neighbours, and the free edges of its points."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from rowplane.model import Array, EdgeKind

Mask = NDArray[np.bool_]
SHORTEST_MM = 350.0
STRIP_MM = 200.0
GUTTER_MM = 260.0
NECK_MM2 = 600_000.0
LEAST_OBLIQUE_MM = 1500.0
MOST_LINES = 40
LEAST_GAIN_MM2, LEAST_GAIN_SHARE = 80_000.0, 0.003
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


def draw_outline(
    uvh: Array, owner: Array, face: int, step: float, contacts: list[Line], hints: list[Line], hides: Callable[[Array], Mask]
) -> Polygon:
    """Polygon of a face, counter-clockwise, from all points near its sheet `(n, 3)`: u, v, height over the sheet, mm.

    `owner` `(n,)` names the face of each, −1 for none; `step` is the raster's cell: two point spacings; `hides` tells which
    places `(m, 2)` have something over them. `hints` are lines on which the face may end where nothing better is seen.
    Raises ValueError where no area is left.
    """
    mine = owner == face
    raster = rasterise(uvh[mine, :2], uvh[~mine & (owner >= 0), :2], step, hides)
    # Caps and valley trays belong to neither face: along a contact, no point speaks neither for the face nor against it.
    strips = _near(raster, contacts, STRIP_MM) & ~raster.mask & ~raster.foreign
    raster = replace(raster, hidden=raster.hidden | strips)
    alone = mine | (owner < 0)
    seen, beyond = _free_lines(raster, uvh[alone], mine[alone], contacts)
    lines = _apart(contacts + seen + hints + _bounds(raster), step)
    raster = replace(raster, mask=raster.mask & ~beyond)
    return _assemble(raster, _worth_it(raster, contacts, [line for line in lines if not line.kind]))


def _free_lines(raster: Raster, uvh: Array, mine: Mask, contacts: list[Line]) -> tuple[list[Line], Mask]:
    """Lines along which boundary cells that no contact explains line up, the longest first; and the cells beyond them."""
    centres = raster.centres()
    cells = centres[_boundary(raster, contacts).ravel()]
    found: list[Line] = []
    beyond = np.zeros(len(centres), dtype=bool)
    while len(cells) * raster.step >= SHORTEST_MM and len(found) < MOST_LINES:
        line, used = _longest(cells, raster)
        if line is None:
            break
        line = _refine(line, uvh, mine, raster.step)
        found.append(line)
        beyond |= _beyond(raster, centres, line, cells[used] @ line.along)
        cells = cells[~used]
    return found, beyond.reshape(raster.mask.shape)


def _longest(cells: Array, raster: Raster) -> tuple[Line | None, Mask]:
    """The longest unbroken line of boundary cells `(n, 2)` over 60 directions; eave and slope directions count more."""
    step = raster.step
    best, chosen, axis = 0.0, np.zeros(len(cells), dtype=bool), False
    for turn in range(60):
        normal = np.array([np.cos(turn * np.pi / 60), np.sin(turn * np.pi / 60)])
        straight = turn % 30 == 0
        away = cells @ normal
        order = np.argsort(away, kind="stable")
        many = np.searchsorted(away[order], away[order] + 1.1 * step, side="right") - np.arange(len(order))
        k = int(np.argmax(many))
        worth = many[k] * step * (1.6 if straight else 1.0)
        if worth <= best:
            continue
        members = order[k : k + many[k]]
        run = _run(cells[members] @ np.array([-normal[1], normal[0]]), max(1000.0, 4.0 * step))
        worth = len(run) * step * (1.6 if straight else 1.0)
        if worth > best:
            best, axis = worth, straight
            chosen = np.zeros(len(cells), dtype=bool)
            chosen[members[run]] = True
    if chosen.sum() * step < (SHORTEST_MM if axis else LEAST_OBLIQUE_MM) or chosen.sum() < (3 if axis else 5):
        return None, chosen
    line = _through(cells[chosen], axis, raster)
    # What lies on the same line further along is the same edge, seen with a gap; the longest run says best where it is.
    span = cells @ line.along
    reach = 0.0 if not axis else float(np.ptp(span))
    beside = np.abs(cells @ line.normal - line.offset + 0.5 * step) < 1.3 * step
    return line, chosen | (beside & (span > line.span[0] - reach) & (span < line.span[1] + reach))


def _run(t: Array, gap: float) -> NDArray[np.int64]:
    """Indices of the longest stretch of `t` without a gap."""
    order = np.argsort(t, kind="stable")
    cuts = np.concatenate([[0], np.nonzero(np.diff(t[order]) > gap)[0] + 1, [len(t)]])
    k = int(np.argmax(np.diff(cuts)))
    return np.asarray(order[cuts[k] : cuts[k + 1]])


def _through(cells: Array, axis: bool, raster: Raster) -> Line:
    """Line along the outer side of boundary cells; its normal points out of the face."""
    middle = cells.mean(axis=0)
    if axis:
        normal = np.eye(2)[int(np.argmin(np.ptp(cells, axis=0)))]
    else:
        normal = np.linalg.eigh(np.cov((cells - middle).T))[1][:, 0]
    held = [0.0, 0.0]
    for k, side in enumerate((1.0, -1.0)):
        place = np.floor((cells + side * 2.0 * raster.step * normal - raster.low) / raster.step).astype(int)
        place = place[((place >= 0) & (place < raster.mask.shape)).all(axis=1)]
        held[k] = float(raster.mask[place[:, 0], place[:, 1]].sum())
    if held[0] > held[1]:
        normal = -normal
    t = cells @ np.array([-normal[1], normal[0]])
    half = 0.5 * raster.step
    return Line(normal, float(middle @ normal) + half, (float(t.min()) - half, float(t.max()) + half))


def _beyond(raster: Raster, centres: Array, line: Line, stops: Array) -> Mask:
    """Cells just beyond a refined edge, next to its boundary cells at `stops`: a gutter in the sheet's scatter is no face."""
    away, t = centres @ line.normal - line.offset, centres @ line.along
    near = (away > 0) & (away < max(3.0 * raster.step, 400.0))
    stops = np.sort(stops)
    k = np.clip(np.searchsorted(stops, t[near]), 1, len(stops) - 1) if len(stops) > 1 else np.zeros(near.sum(), dtype=int)
    gap = np.minimum(np.abs(t[near] - stops[k]), np.abs(t[near] - stops[k - 1]))
    near[near] = gap < raster.step
    return np.asarray(near)


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


def _boundary(raster: Raster, contacts: list[Line]) -> Mask:
    """Boundary cells of the raster that no contact and nothing standing over them explains."""
    inner = ndimage.binary_erosion(raster.mask)
    beside = ndimage.binary_dilation(raster.hidden, np.ones((3, 3), dtype=bool), iterations=1 + int(raster.step < 150.0))
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


def _refine(line: Line, uvh: Array, mine: Mask, step: float) -> Line:
    """Move a free edge to where the face's points end, and no further than they stay at the sheet's height.

    Change point of a Poisson process, λ inside and a tenth of it beyond (clutter): its likelihood is greatest at the point
    that maximises n·ln 10 − 0.9·λ·depth. A gutter lies in the sheet's scatter, but its mean height along a whole edge,
    where the tile relief cancels, does not.
    """
    away, t = uvh[:, :2] @ line.normal - line.offset, uvh[:, :2] @ line.along
    trim = min(0.1 * (line.span[1] - line.span[0]), 300.0)
    # The raster may reach a gutter and a cell beyond the edge.
    start = max(3.0 * step, 320.0)
    depth = 1200.0 + start
    here = (t > line.span[0] + trim) & (t < line.span[1] - trim) & (away > -depth) & (away < 3 * step)
    own = np.sort(away[here & mine])
    density = float((own < -start).sum()) / 1200.0
    if density * 1200.0 < 6:
        return line
    own = own[(own > -start) & (own < _sheet_ends(away[here], uvh[here, 2], density, step, start))]
    if not len(own):
        return replace(line, offset=line.offset - start)
    worth = np.log(10.0) * np.arange(1, len(own) + 1) - 0.9 * density * (own + start)
    return replace(line, offset=line.offset + float(own[int(np.argmax(worth))]) + 0.5 / density)


def _sheet_ends(away: Array, height: Array, density: float, step: float, start: float) -> float:
    """Where the outermost strips leave the height of those inside; infinity where they do not or points are few."""
    width = float(np.clip(30.0 / density, 12.0, np.inf))
    if width > step:
        return np.inf
    depth = 1200.0 + start
    bins = np.arange(-depth, 3 * step + width, width)
    place = np.clip(((away + depth) / width).astype(int), 0, len(bins) - 1)
    many = np.bincount(place, minlength=len(bins))
    mean = np.bincount(place, height, minlength=len(bins)) / np.maximum(many, 1)
    deep = (bins + width < -start) & (many > 0)
    usual = float(np.median(mean[deep]))
    scatter = 1.4826 * float(np.median(np.abs(mean[deep] - usual)))
    off = (np.abs(mean - usual) > max(3.5 * scatter, 25.0)) & (many >= 5)
    held = np.nonzero(many >= max(0.15 * density * width, 3.0))[0]
    # A gutter is a hand or two wide: a moss patch or a slipped course further inside is not the end.
    ends = off & np.append(off[1:], True) & (bins + width >= -start) & (bins > bins[held[-1]] - GUTTER_MM)
    return float(bins[int(np.argmax(ends))]) if ends.any() else np.inf


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
    held = np.bincount(inverse.ravel(), raster.mask.ravel())
    against = np.bincount(inverse.ravel(), np.where(raster.hidden.ravel(), 0.5, 1.0) * ~raster.mask.ravel())
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
