"""Faces of a few square metres that cells are too coarse for: grown point by point where no face claims the points."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from rowplane.config import PlanesConfig
from rowplane.geometry import PlaneFit, fit_plane
from rowplane.model import Array
from rowplane.planes.contacts import find_contacts
from rowplane.planes.drafts import Draft, Scan
from rowplane.planes.patches import AROUND, Mask, widened

REACH_MM, UNDER_MM = 4000.0, 500.0
"""How far from the faces found, and under the lowest of them, another is looked for."""
ENOUGH_PER_M2 = 120.0
"""Density that does for a face of this size: denser scans are thinned to it."""
SEED_M2, FEWEST = 0.8, 24
"""A plane starts from the points of several tiles, so that their relief tilts it little."""
LEAST_POINTS = 40
SEED_ROUGH, MOST_ROUGH, LEAST_PURE = 1.5, 1.15, 0.7
"""Scatter of a start and of a face against that of the faces found, and share of the points inside that lie on the plane.

Leaves fill a band evenly: they scatter more than tiles do, and more of them lie off it.
"""


@dataclass(frozen=True)
class Rest:
    """Points near the roof that no face claims, `free` `(m, 3)`, among `every` `(n, 3)` point there, each with its cell.

    `half` is half the height that points of the roof's faces span over their sheets, `scatter` their standard deviation, mm.
    """

    free: Array
    cells: NDArray[np.int32]
    every: Array
    every_cells: NDArray[np.int32]
    spacing: float
    half: float
    scatter: float


def find_overlooked(scan: Scan, drafts: list[Draft], least_m2: float, config: PlanesConfig) -> list[tuple[Mask, PlaneFit]]:
    """Cells and planes of faces between or beside those found: as smooth as they are, wide, alone, and edge to edge with them."""
    rest = _rest(scan, drafts)
    if len(rest.free) < LEAST_POINTS:
        return []
    found = []
    for region in _regions(rest):
        fit = _plane(rest, region, scan.grid.box.low)
        pitch = float(np.degrees(np.arccos(min(fit.normal[2], 1.0))))
        cells = _held(scan, rest, region)
        if (
            config.min_pitch_deg <= pitch <= config.max_pitch_deg
            and _is_smooth(rest, region, fit, scan.grid.box.low, least_m2)
            and _adjoins(scan, drafts, cells, fit, config.min_angle_deg)
        ):
            found.append((cells, fit))
    return found


def with_faces(scan: Scan, cells: list[Mask]) -> Scan:
    """The scan with further faces, after those it has, that own the given cells."""
    piece, owner = scan.piece.copy(), scan.owner.copy()
    pieces, faces = int(piece.max()) + 1, int(owner.max()) + 1
    for k, own in enumerate(cells):
        piece[own], owner[own] = pieces + k, faces + k
    return replace(scan, piece=piece, owner=owner)


def _rest(scan: Scan, drafts: list[Draft]) -> Rest:
    every = max(int(scan.grid.density_per_m2 / scan.every / ENOUGH_PER_M2), 1)
    roof = np.any([draft.own for draft in drafts], axis=0)
    about = widened(scan.grid, roof, int(np.ceil(REACH_MM / scan.grid.box.step))) & ((scan.owner >= 0) | (scan.piece < 0))
    cells = scan.cells[::every]
    here = np.nonzero((cells >= 0) & about[cells])[0]
    points, cells = scan.sample[::every][here].astype(float), cells[here]
    top = points[:, 2] - scan.grid.box.low[2] >= scan.grid.bottom[cells]
    points, cells = points[top], cells[top]
    free = np.ones(len(points), dtype=bool)
    half, scatter, lowest = [], [], []
    for sheet, own in ((draft.sheet, draft.own) for draft in drafts):
        index = np.nonzero(sheet.zone[cells])[0]
        height = sheet.height(points[index], cells[index])
        on = (height > sheet.low) & (height < sheet.high)
        free[index[on]] = False
        on &= own[cells[index]]
        if on.any():
            half.append(0.5 * (sheet.high - sheet.low))
            scatter.append(float(height[on].std()))
            lowest.append(float(points[index[on], 2].min()))
    free &= points[:, 2] > min(lowest, default=np.inf) - UNDER_MM
    spacing = scan.grid.spacing_mm * float(np.sqrt(scan.every * every))
    usual = (float(np.median(half)), float(np.median(scatter))) if half else (0.0, 0.0)
    return Rest(points[free], cells[free], points, cells, spacing, *usual)


def _regions(rest: Rest) -> Iterator[NDArray[np.int64]]:
    """Indices of free points that lie on one plane and hang together, grown from the evenest places; no point twice."""
    places = _places(rest.free, 500.0 * np.sqrt(SEED_M2))
    many = min(max(FEWEST, int(SEED_M2 * 1e6 / rest.spacing**2)), len(rest.free))
    near = cKDTree(rest.free).query(places, k=many)[1]
    around = rest.free[near] - rest.free[near].mean(axis=1, keepdims=True)
    rms = np.sqrt(np.maximum(np.linalg.eigvalsh(np.einsum("nki,nkj->nij", around, around))[:, 0], 0.0) / many)
    left = np.ones(len(rest.free), dtype=bool)
    for k in np.argsort(rms, kind="stable"):
        if rms[k] > SEED_ROUGH * rest.scatter:
            return
        start = near[k][left[near[k]]]
        if len(start) < 0.7 * many:
            continue
        region = _grown(rest, start, left)
        left[start] = left[region] = False
        if len(region) >= LEAST_POINTS:
            yield region


def _places(points: Array, size: float) -> Array:
    """Mean of the points in each cube of an edge of `size` mm."""
    key = np.floor((points - points.min(axis=0)) / size).astype(np.int64)
    _, inverse, count = np.unique(key, axis=0, return_inverse=True, return_counts=True)
    return np.stack([np.bincount(inverse.ravel(), points[:, k]) for k in range(3)], axis=1) / count[:, None]


def _grown(rest: Rest, start: NDArray[np.int64], left: Mask) -> NDArray[np.int64]:
    """The free points in the band about a plane that hang together in plan with `start`, the plane refitted till it settles."""
    region = start
    for _ in range(12):
        try:
            fit = fit_plane(rest.free[region])
        except ValueError:
            return start
        band = np.nonzero((np.abs((rest.free - fit.centroid) @ fit.normal) < rest.half) & left)[0]
        if not len(band):
            return start
        place, image = _drawn(rest.free[band], 1.6 * rest.spacing)
        pieces = ndimage.label(image, AROUND)[0][place[:, 0], place[:, 1]]
        most = int(np.argmax(np.bincount(pieces[np.isin(band, region)], minlength=2)))
        grown = band[pieces == most]
        if np.array_equal(grown, region):
            break
        region = grown
    return region


def _drawn(points: Array, step: float, low: Array | None = None) -> tuple[NDArray[np.int64], Mask]:
    """Plan cell of every point, one empty cell all round, and the image of the occupied ones."""
    low = points[:, :2].min(axis=0) if low is None else low
    place = np.floor((points[:, :2] - low) / step).astype(np.int64) + 1
    image = np.zeros(place.max(axis=0) + 2, dtype=bool)
    image[place[:, 0], place[:, 1]] = True
    return place, image


def _plane(rest: Rest, region: NDArray[np.int64], low: Array) -> PlaneFit:
    """The plane of a region's inner points about the grid's low corner: caps and gutters lie along its rim."""
    points = rest.free[region]
    place, image = _drawn(points, 1.6 * rest.spacing)
    inner = ndimage.binary_erosion(ndimage.binary_closing(image, AROUND), AROUND)[place[:, 0], place[:, 1]]
    return fit_plane((points[inner] if inner.sum() >= 0.5 * FEWEST else points) - low)


def _held(scan: Scan, rest: Rest, region: NDArray[np.int64]) -> Mask:
    """Cells most of whose points belong to a region."""
    size = scan.grid.box.size
    return np.asarray(np.bincount(rest.cells[region], minlength=size) > 0.5 * np.bincount(rest.every_cells, minlength=size))


def _is_smooth(rest: Rest, region: NDArray[np.int64], fit: PlaneFit, low: Array, least_m2: float) -> bool:
    """Whether a region scatters like the faces found, is large and wide enough, and all that stands there lies on its plane."""
    step, points = 2.0 * rest.spacing, rest.free[region]
    image = ndimage.binary_closing(_drawn(points, step)[1], AROUND)
    inner = ndimage.binary_erosion(image)
    # The rim cells are half covered.
    area = 0.5 * float(image.sum() + inner.sum()) * step**2 / 1e6 / float(fit.normal[2])
    if fit.rms > MOST_ROUGH * rest.scatter or area < 0.8 * least_m2 or inner.sum() < 0.2 * image.sum():
        return False
    place = np.floor((rest.every[:, :2] - points[:, :2].min(axis=0)) / step).astype(np.int64) + 1
    within = ((place >= 0) & (place < image.shape)).all(axis=1)
    within[within] = inner[place[within, 0], place[within, 1]]
    away = np.abs((rest.every[within] - low - fit.centroid) @ fit.normal)
    return bool((away < rest.half).sum() >= LEAST_PURE * max(len(away), 1))


def _adjoins(scan: Scan, drafts: list[Draft], cells: Mask, fit: PlaneFit, min_angle_deg: float) -> bool:
    """Whether a plane lies beside the faces found, turned against them, and meets them along a good part of its rim."""
    if cells.sum() < 3 or (scan.owner[cells] >= 0).mean() > 0.5:
        return False
    beside = widened(scan.grid, cells, 2)
    if any(d.fit.normal @ fit.normal > np.cos(np.radians(min_angle_deg)) and (d.own & beside).any() for d in drafts):
        return False
    table = np.where(cells, len(drafts), scan.owner).astype(np.int32)
    contacts = find_contacts(scan.grid.box, table, [d.fit for d in drafts] + [fit])
    length = sum(float(np.linalg.norm(c.end - c.start)) for c in contacts if c.second == len(drafts))
    return length > scan.grid.box.step * float(np.sqrt(cells.sum() / fit.normal[2]))
