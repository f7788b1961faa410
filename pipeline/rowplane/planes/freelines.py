"""Free edges of a face: where its boundary cells line up, moved to where its points end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rowplane.model import Array
from rowplane.planes.raster import Line, Mask, Raster, near

SHORTEST_MM, LEAST_OBLIQUE_MM = 350.0, 1500.0
"""Shortest edge along the eave or up the slope, and askew: a skew edge that is no hip or valley is rare."""
MOST_LINES = 40
GUTTER_MM = 260.0
"""Gutters reach this far past the tiles."""
HIGHER_MM = 50.0
"""An edge strip this much over the face is a cap or a board, not the rise of tiles."""


def free_lines(raster: Raster, uvh: Array, mine: Mask, contacts: list[Line]) -> tuple[list[Line], Mask]:
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
    straight = np.eye(2)[int(np.argmin(np.ptp(cells, axis=0)))]
    normal = straight if axis else np.linalg.eigh(np.cov((cells - middle).T))[1][:, 0]
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
    held = (away > 0) & (away < max(3.0 * raster.step, 400.0))
    stops = np.sort(stops)
    k = np.clip(np.searchsorted(stops, t[held]), 1, len(stops) - 1) if len(stops) > 1 else np.zeros(held.sum(), dtype=int)
    gap = np.minimum(np.abs(t[held] - stops[k]), np.abs(t[held] - stops[k - 1]))
    held[held] = gap < raster.step
    return np.asarray(held)


def _boundary(raster: Raster, contacts: list[Line]) -> Mask:
    """Boundary cells of the raster that no contact and nothing standing over them explains."""
    inner = ndimage.binary_erosion(raster.mask)
    beside = ndimage.binary_dilation(raster.hidden, np.ones((3, 3), dtype=bool), iterations=1 + int(raster.step < 150.0))
    return np.asarray(raster.mask & ~inner & ~beside & ~near(raster, contacts, max(2.0 * raster.step, 350.0)))


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
    # Tiles rise to their nose, and the eave's course often further: what lies higher must do so by more than what hangs lower.
    off = ((usual - mean > max(3.5 * scatter, 25.0)) | (mean - usual > max(3.5 * scatter, HIGHER_MM))) & (many >= 5)
    held = np.nonzero(many >= max(0.15 * density * width, 3.0))[0]
    # A gutter is a hand or two wide: a moss patch or a slipped course further inside is not the end.
    ends = off & np.append(off[1:], True) & (bins + width >= -start) & (bins > bins[held[-1]] - GUTTER_MM)
    return float(bins[int(np.argmax(ends))]) if ends.any() else np.inf
