"""Faces as sets of grid cells: modes of direction, connected pieces, growth on the residual, competition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rowplane.geometry import PlaneFit
from rowplane.model import Array
from rowplane.planes.cellplanes import CellPlanes, fit_cells, fit_sum, offsets
from rowplane.planes.grid import Grid

Mask = NDArray[np.bool_]
AROUND = np.ones((3, 3), dtype=bool)
SAG_MM = 40.0
"""How far a face may leave its own plane: TRADE.md's range of substrate deviation, 0 to 40 mm."""
TURN_DEG = 2.5
"""Local turn of a sagging face: 35 mm over 5 m of slope is 1.3° at its ends, with waves up to twice that."""


@dataclass(frozen=True)
class CellFace:
    """A face as cells: its plane about the grid's low corner, `cells` `(size,)`, `band` = greatest rms of one cell, mm."""

    fit: PlaneFit
    cells: Mask
    band: float


def find_faces(grid: Grid, min_area_m2: float, min_angle_deg: float) -> list[CellFace]:
    """All planar pieces of the top layer, whatever their pitch, largest first; cells belong to one face at most."""
    planes = fit_cells(grid)
    seeds = _seed_faces(grid, planes, min_area_m2)
    faces = compete(grid, seeds, min_area_m2)
    faces = merge(grid, faces, min_angle_deg)
    faces = compete(grid, faces, min_area_m2)
    return sorted(faces, key=lambda f: -area_m2(grid, f))


def area_m2(grid: Grid, face: CellFace) -> float:
    """Area of the face's cells on the slope."""
    return float(face.cells.sum()) * grid.box.step**2 / 1e6 / max(float(face.fit.normal[2]), 0.05)


def _seed_faces(grid: Grid, planes: CellPlanes, min_area_m2: float) -> list[CellFace]:
    angle = np.radians(max(TURN_DEG, np.degrees(3 * planes.tilt_sd)))
    pool = _smooth_cells(grid, planes)
    least = max(0.25 * min_area_m2 * 1e6 / grid.box.step**2, 4)
    faces: list[CellFace] = []
    while pool.sum() >= least:
        mode = _mode(planes.normal[pool], angle)
        alike = pool.copy()
        alike[pool] = planes.normal[pool] @ mode > np.cos(angle)
        pieces, sizes = _pieces(grid, alike)
        if not len(sizes) or sizes.max() < least:
            pool &= ~alike
            continue
        for piece in np.nonzero(sizes >= least)[0]:
            face = grow(grid, pieces == piece + 1, planes)
            if face is None:
                continue
            faces.append(face)
            close = np.zeros_like(pool)
            close[pool] = planes.normal[pool] @ face.fit.normal > np.cos(1.6 * angle)
            pool &= ~(face.cells & close)
        pool &= ~alike
    return faces


def _smooth_cells(grid: Grid, planes: CellPlanes) -> Mask:
    """Cells whose surroundings are one plane as good as the scan's better part, walls left out."""
    here = np.isfinite(planes.rms) & (grid.moments[0] > 0)
    here[here] = planes.normal[here, 2] > 0.34
    if not here.any():
        return here
    usual = float(np.percentile(planes.rms[here], 35))
    here[here] = planes.rms[here] < 2.0 * usual + 10.0
    return here


def _mode(normals: Array, angle: float) -> Array:
    """Most frequent direction among unit normals `(m, 3)`: peak of a smoothed histogram over (n_x, n_y)."""
    bins = int(2 / (angle / 2)) + 1
    place = np.clip(((normals[:, :2] + 1) / 2 * bins).astype(int), 0, bins - 1)
    count = np.bincount(place[:, 0] * bins + place[:, 1], minlength=bins * bins).reshape(bins, bins).astype(float)
    peak = int(np.argmax(ndimage.gaussian_filter(count, 1.0, mode="constant")))
    x, y = (np.array(divmod(peak, bins)) + 0.5) / bins * 2 - 1
    start = np.array([x, y, np.sqrt(max(1 - x * x - y * y, 0.01))])
    for _ in range(3):
        near = normals @ (start / np.linalg.norm(start)) > np.cos(angle)
        if not near.any():
            break
        start = normals[near].mean(axis=0)
    return np.asarray(start / np.linalg.norm(start))


def _pieces(grid: Grid, mask: Mask) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Connected pieces of a cell mask: flat labels from 1, and their sizes."""
    labels, count = ndimage.label(mask.reshape(grid.box.shape), AROUND)
    return labels.ravel(), np.bincount(labels.ravel(), minlength=count + 1)[1:]


def grow(grid: Grid, cells: Mask, planes: CellPlanes | None = None) -> CellFace | None:
    """A face from its seed cells: refit and take in connected cells whose points stay in the band, until it settles."""
    for _ in range(8):
        seen = cells & (grid.moments[0] > 0)
        if grid.moments[0, seen].sum() < 6 or seen.sum() < 3:
            return None
        try:
            fit = fit_sum(grid.moments[:, seen])
        except ValueError:
            return None
        rms = offsets(grid.moments, fit)[1]
        band = _band(rms[seen], grid.moments[0, seen])
        close = np.nan_to_num(rms, nan=np.inf) < band
        grown = _touching(grid, close, cells & close)
        if grown.sum() < 3:
            return None
        if (grown == cells).all():
            break
        cells = grown
    return CellFace(fit, cells, band)


def _band(rms: Array, count: Array) -> float:
    order = np.argsort(rms)
    usual = float(rms[order][np.searchsorted(np.cumsum(count[order]), 0.5 * count.sum())])
    return float(np.hypot(1.9 * usual, SAG_MM))


def _touching(grid: Grid, mask: Mask, start: Mask) -> Mask:
    """Part of `mask` connected to `start`."""
    labels, _ = _pieces(grid, mask)
    held = np.unique(labels[start & mask])
    keep = np.isin(labels, held[held > 0])
    return keep


def compete(grid: Grid, faces: list[CellFace], min_area_m2: float, rounds: int = 3) -> list[CellFace]:
    """Give every cell to the face it fits best, refit, repeat; each face keeps its largest connected piece."""
    for _ in range(rounds):
        faces = _one_round(grid, faces, min_area_m2)
    return faces


def _one_round(grid: Grid, faces: list[CellFace], min_area_m2: float) -> list[CellFace]:
    best, owner = np.full(grid.box.size, np.inf), np.full(grid.box.size, -1)
    for k, face in enumerate(faces):
        rms = offsets(grid.moments[:, face.cells], face.fit)[1]
        index = np.nonzero(face.cells)[0]
        wins = rms < best[index]
        best[index[wins]], owner[index[wins]] = rms[wins], k
    kept = []
    for k, face in enumerate(faces):
        pieces, sizes = _pieces(grid, owner == k)
        for piece in np.nonzero(sizes * grid.box.step**2 / 1e6 >= 0.5 * min_area_m2 * face.fit.normal[2])[0]:
            own = pieces == piece + 1
            if own.sum() < 3 or grid.moments[0, own].sum() < 6:
                continue
            try:
                fit = fit_sum(grid.moments[:, own])
            except ValueError:
                continue
            band = max(_band(offsets(grid.moments[:, own], fit)[1], grid.moments[0, own]), 0.0)
            close = np.nan_to_num(offsets(grid.moments, fit)[1], nan=np.inf) < band
            kept.append(CellFace(fit, _touching(grid, close, own & close), band))
    kept.sort(key=lambda f: -int(f.cells.sum()))
    return _without_doubles(kept)


def _without_doubles(faces: list[CellFace]) -> list[CellFace]:
    """Drop a face nearly all of whose cells lie in a larger one of the same direction."""
    kept: list[CellFace] = []
    for face in faces:
        double = any(
            (face.cells & other.cells).sum() > 0.7 * face.cells.sum() and face.fit.normal @ other.fit.normal > 0.9994
            for other in kept
        )
        if not double and face.cells.sum() >= 3:
            kept.append(face)
    return kept


def settle(grid: Grid, faces: list[CellFace], min_area_m2: float) -> tuple[list[CellFace], NDArray[np.int32]]:
    """Final owner of every cell, and the faces with only the cells they own."""
    best, owner = np.full(grid.box.size, np.inf), np.full(grid.box.size, -1, dtype=np.int32)
    for k, face in enumerate(faces):
        rms = offsets(grid.moments[:, face.cells], face.fit)[1]
        index = np.nonzero(face.cells)[0]
        wins = rms < best[index]
        best[index[wins]], owner[index[wins]] = rms[wins], k
    kept, table = [], np.full(grid.box.size, -1, dtype=np.int32)
    for k, face in enumerate(faces):
        pieces, sizes = _pieces(grid, owner == k)
        if not len(sizes):
            continue
        own = pieces == int(np.argmax(sizes)) + 1
        trimmed = CellFace(face.fit, own, face.band)
        if area_m2(grid, trimmed) >= 0.6 * min_area_m2:
            table[own] = len(kept)
            kept.append(trimmed)
    return kept, table


def merge(grid: Grid, faces: list[CellFace], min_angle_deg: float) -> list[CellFace]:
    """Join touching faces that turn less than the smallest angle and meet without a step: a sag is one face."""
    faces = list(faces)
    done = False
    while not done:
        done = True
        for i in range(len(faces)):
            for j in range(i + 1, len(faces)):
                if _same(grid, faces[i], faces[j], min_angle_deg):
                    joined = grow(grid, faces[i].cells | faces[j].cells)
                    if joined is not None:
                        faces[i] = joined
                        del faces[j]
                        done = False
                        break
            if not done:
                break
    return faces


def _same(grid: Grid, a: CellFace, b: CellFace, min_angle_deg: float) -> bool:
    if a.fit.normal @ b.fit.normal < np.cos(np.radians(min_angle_deg)):
        return False
    reach = ndimage.binary_dilation(a.cells.reshape(grid.box.shape), AROUND, iterations=2).ravel()
    contact = reach & b.cells
    if contact.sum() < 2:
        return False
    cells = grid.moments[:, contact]
    gap = np.abs(offsets(cells, a.fit)[0] - offsets(cells, b.fit)[0])
    return float(np.median(gap)) < max(a.band, b.band)
