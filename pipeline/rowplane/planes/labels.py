"""Which point belongs to which face: nearest surface within the face's own scatter, inside its outline."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from rowplane.frames import face_frame, survey_to_face
from rowplane.geometry import PlaneFit
from rowplane.model import Array, FaceFrame
from rowplane.planes.cellplanes import offsets, window_mm
from rowplane.planes.grid import Grid, chunks

NOBODY, SEVERAL = -1, -2
"""Cells that no face claims, and those over which several may."""
FEWEST_INNER = 9
"""A face of fewer whole cells shows no sag: its cells hold gutters and walls besides."""
ZONE_MM = 600.0
"""How far beyond its cells a face looks for points: wider than a cap and a cell together."""


@dataclass(frozen=True)
class Sheet:
    """A face as a sheet in space: its frame, the smooth height `sag` `(size,)` over the plane per grid cell, mm.

    `zone` are the cells whose points may lie on it; `low`, `high` bound the height of its points over the sheet.
    """

    frame: FaceFrame
    sag: NDArray[np.float32]
    zone: NDArray[np.bool_]
    low: float
    high: float

    def height(self, points: NDArray[np.floating], cells: NDArray[np.int32]) -> Array:
        """Height of survey points `(n, 3)` in `cells` over the sheet, mm."""
        if points.dtype == np.float32:
            # A label needs no better than the 0.01 mm of single precision, at half the time.
            normal, offset = self.frame.axes[2].astype(np.float32), float(self.frame.origin_mm @ self.frame.axes[2])
            return np.asarray(points @ normal - (self.sag[cells] + np.float32(offset)))
        w = (points - self.frame.origin_mm) @ self.frame.axes[2]
        return np.asarray(w - self.sag[cells])


def make_sheet(grid: Grid, own: NDArray[np.bool_], fit: PlaneFit) -> Sheet:
    """The sheet of a face from the cells it owns; its scatter is not known yet (any height passes)."""
    image = own.reshape(grid.box.shape)
    inner = ndimage.binary_erosion(image)
    used = (inner if inner.sum() >= 0.3 * image.sum() else image).ravel() & (grid.moments[0] > 0)
    if inner.sum() < FEWEST_INNER:
        used[:] = False
    mean = np.zeros(grid.box.size)
    mean[used] = offsets(grid.moments[:, used], fit)[0]
    weight = np.where(used, 1.0, 0.0)
    sigma = window_mm(grid) / grid.box.step
    top, under = (_spread(mean * weight, grid, sigma), _spread(weight, grid, sigma))
    sag = np.where(under > 1e-4, top / np.maximum(under, 1e-4), 0.0)
    reach = int(np.ceil(ZONE_MM / grid.box.step))
    zone = ndimage.binary_dilation(image, np.ones((3, 3), dtype=bool), iterations=reach).ravel()
    frame = face_frame(fit.centroid + grid.box.low, fit.normal)
    return Sheet(frame, sag.astype(np.float32), zone, -np.inf, np.inf)


def _spread(term: Array, grid: Grid, sigma: float) -> Array:
    return np.asarray(ndimage.gaussian_filter(term.reshape(grid.box.shape), sigma, mode="constant", truncate=4.0)).ravel()


def with_scatter(sheet: Sheet, points: Array, cells: NDArray[np.int32], own: NDArray[np.bool_]) -> Sheet:
    """The sheet with bounds taken from the points of its own inner cells: 1 % and 99 % quantiles, widened by a third."""
    held = own[cells]
    height = sheet.height(points[held], cells[held])
    height = height[np.abs(height) < 400.0]
    if len(height) < 5:
        return replace(sheet, low=-100.0, high=100.0)
    low, middle, high = np.percentile(height, (1.0, 50.0, 99.0))
    return replace(sheet, low=float(middle - 1.35 * (middle - low)), high=float(middle + 1.35 * (high - middle)))


def label(
    points: NDArray[np.floating], grid: Grid, sheets: list[Sheet], outlines: list[BaseGeometry] | None = None
) -> NDArray[np.int16]:
    """Face of every point `(n, 3)`: the sheet it lies nearest to among those whose bounds hold it, −1 for none.

    With `outlines` (u, v of each sheet's frame) points outside a face's outline are not its own.
    """
    labels = np.full(len(points), NOBODY, dtype=np.int16)
    sole, reach = _claims(grid, sheets, outlines)
    alone = [int(k) for k in np.unique(sole) if k >= 0]

    def fill(part: slice) -> None:
        block, own = points[part], labels[part]
        cells = grid.box.cells(block)
        claim = sole[cells]  # −1, outside the grid, is the entry after the last cell
        for k in alone:
            index = np.nonzero(claim == k)[0]
            height = sheets[k].height(block[index], cells[index])
            own[index[(height > sheets[k].low) & (height < sheets[k].high)]] = k
        index = np.nonzero(claim == SEVERAL)[0]
        own[index] = _label_block(block[index].astype(float), cells[index], sheets, reach, outlines)

    with ThreadPoolExecutor(max_workers=2) as pool:  # each writes its own part
        for _ in pool.map(fill, chunks(points)):
            pass
    return labels


def _claims(
    grid: Grid, sheets: list[Sheet], outlines: list[BaseGeometry] | None
) -> tuple[NDArray[np.int16], list[NDArray[np.bool_]]]:
    """The one sheet that may claim a cell's points whole `(size + 1,)`, NOBODY or SEVERAL; and the cells within each one's reach."""
    if outlines is None:
        reach, deep = [s.zone for s in sheets], None
    else:
        about = [_about(grid, sheet, outline) for sheet, outline in zip(sheets, outlines, strict=True)]
        reach, deep = [near for near, _ in about], [inner for _, inner in about]
    count = np.sum(reach, axis=0, dtype=np.int16) if reach else np.zeros(grid.box.size, dtype=np.int16)
    sole = np.full(grid.box.size + 1, NOBODY, dtype=np.int16)
    sole[:-1][count > 0] = SEVERAL
    for k in range(len(sheets)):
        # Deep inside one outline no other face can claim any; where there are no outlines, one sheet alone in reach.
        sole[:-1][reach[k] & (count == 1) if deep is None else deep[k]] = k
    return sole, reach


def _about(grid: Grid, sheet: Sheet, outline: BaseGeometry) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Cells of which a point in the sheet's bounds may lie inside an outline; cells of which all such points do."""
    shapely.prepare(outline)
    index = np.nonzero(sheet.zone)[0]
    plan = grid.box.centres()[index] + grid.box.low[:2]
    w = sheet.frame.axes[2]
    z = sheet.frame.origin_mm[2] - (plan - sheet.frame.origin_mm[:2]) @ w[:2] / w[2]
    uv = survey_to_face(sheet.frame, np.column_stack([plan, z]))[:, :2]
    # Half a cell's diagonal on the slope, and what a point off the sheet shifts along it.
    margin = 0.71 * grid.box.step / float(w[2]) + max(abs(sheet.low), abs(sheet.high)) + float(np.abs(sheet.sag).max())
    found = []
    for wider in (margin, -margin):
        held = np.zeros(grid.box.size, dtype=bool)
        held[index] = shapely.contains_xy(outline.buffer(wider), uv[:, 0], uv[:, 1])
        found.append(held)
    return found[0], found[1]


def _label_block(
    block: Array,
    cells: NDArray[np.int32],
    sheets: list[Sheet],
    reach: list[NDArray[np.bool_]],
    outlines: list[BaseGeometry] | None,
) -> NDArray[np.int16]:
    owner = np.full(len(block), NOBODY, dtype=np.int16)
    best = np.full(len(block), np.inf)
    for k, sheet in enumerate(sheets):
        index = np.nonzero(reach[k][cells])[0]
        if not len(index):
            continue
        height = sheet.height(block[index], cells[index])
        away = np.abs(height - 0.5 * (sheet.low + sheet.high))
        fits = (height > sheet.low) & (height < sheet.high) & (away < best[index])
        index, away = index[fits], away[fits]
        if outlines is not None and len(index):
            uv = survey_to_face(sheet.frame, block[index])
            inside = shapely.contains_xy(outlines[k], uv[:, 0], uv[:, 1])
            index, away = index[inside], away[inside]
        best[index], owner[index] = away, k
    return owner
