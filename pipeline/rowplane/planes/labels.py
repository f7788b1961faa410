"""Which point belongs to which face: nearest surface within the face's own scatter, inside its outline."""

from __future__ import annotations

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

    def height(self, points: Array, cells: NDArray[np.int32]) -> Array:
        """Height of survey points `(n, 3)` in `cells` over the sheet, mm."""
        w = (points - self.frame.origin_mm) @ self.frame.axes[2]
        return np.asarray(w - self.sag[cells])


def make_sheet(grid: Grid, own: NDArray[np.bool_], fit: PlaneFit) -> Sheet:
    """The sheet of a face from the cells it owns; its scatter is not known yet (any height passes)."""
    image = own.reshape(grid.box.shape)
    inner = ndimage.binary_erosion(image)
    used = (inner if inner.sum() >= 0.3 * image.sum() else image).ravel() & (grid.moments[0] > 0)
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
    labels = np.full(len(points), -1, dtype=np.int16)
    anywhere = np.zeros(grid.box.size, dtype=bool)
    for sheet in sheets:
        anywhere |= sheet.zone
    sole = np.full(grid.box.size, -1, dtype=np.int16)
    for k, outline in enumerate(outlines or ()):
        shapely.prepare(outline)
        sole[_deep_inside(grid, sheets[k], outline)] = k
    for part in chunks(points):
        cells = grid.box.cells(points[part])
        near = np.nonzero((cells >= 0) & anywhere[cells])[0]
        alone = sole[cells[near]]
        for k in np.unique(alone):
            index = near[alone == k]
            if k < 0:
                labels[part][index] = _label_block(points[part][index].astype(float), cells[index], sheets, outlines)
            else:
                height = sheets[k].height(points[part][index], cells[index])
                labels[part][index] = np.where((height > sheets[k].low) & (height < sheets[k].high), k, -1)
    return labels


def _deep_inside(grid: Grid, sheet: Sheet, outline: BaseGeometry) -> NDArray[np.bool_]:
    """Cells all of whose points in the sheet's bounds lie inside an outline: there no other face can claim any."""
    index = np.nonzero(sheet.zone)[0]
    plan = grid.box.centres()[index] + grid.box.low[:2]
    w = sheet.frame.axes[2]
    z = sheet.frame.origin_mm[2] - (plan - sheet.frame.origin_mm[:2]) @ w[:2] / w[2]
    uv = survey_to_face(sheet.frame, np.column_stack([plan, z]))[:, :2]
    # Half a cell's diagonal on the slope, and what a point off the sheet shifts along it.
    margin = 0.71 * grid.box.step / float(w[2]) + max(abs(sheet.low), abs(sheet.high)) + float(np.abs(sheet.sag).max())
    held = np.zeros(grid.box.size, dtype=bool)
    held[index] = shapely.contains_xy(outline.buffer(-margin), uv[:, 0], uv[:, 1])
    return held


def _label_block(
    block: Array, cells: NDArray[np.int32], sheets: list[Sheet], outlines: list[BaseGeometry] | None
) -> NDArray[np.int16]:
    owner = np.full(len(block), -1, dtype=np.int16)
    best = np.full(len(block), np.inf)
    for k, sheet in enumerate(sheets):
        index = np.nonzero(sheet.zone[cells])[0]
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
