"""Faces as sets of grid cells: modes of direction, connected pieces, growth on the residual, competition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rowplane.geometry import PlaneFit
from rowplane.model import Array
from rowplane.planes.cellplanes import CellPlanes, fit_cells, fit_sum, offsets, window_mm
from rowplane.planes.grid import Grid
from rowplane.planes.patches import Mask, bridged, connected, pieces_of, widened, window

SAG_MM = 40.0
"""How far a face may leave its own plane: the usual range of substrate deviation, 0 to 40 mm (common practice, no source)."""
RELIEF_MM = 50.0
"""Rms that the relief of a curved tile may cause: a wave of 100 mm has 35 mm, an undersampled one more."""
EVEN_DEG, LARGE_M2 = 4.0, 15.0
TURN_DEG = 2.5
"""Local turn of a sagging face: 35 mm over 5 m of slope is 1.3° at its ends, with waves up to twice that."""


@dataclass(frozen=True)
class CellFace:
    """A face as cells: its plane about the grid's low corner, `cells` `(size,)`, `band` = greatest rms of one cell, mm."""

    fit: PlaneFit
    cells: Mask
    band: float


def find_faces(grid: Grid, min_area_m2: float, min_angle_deg: float) -> list[CellFace]:
    """All planar pieces of the top layer, whatever their pitch, largest first.

    A second look with half the window takes in hip ends and dormers that are too narrow for the first.
    """
    faces: list[CellFace] = []
    free = np.ones(grid.box.size, dtype=bool)
    for sigma_mm in (window_mm(grid), _narrow(grid)):
        faces = compete(grid, faces + _seed_faces(grid, fit_cells(grid, sigma_mm), free, min_area_m2))
        faces = merge(grid, faces, min_angle_deg)
        for face in faces:
            free &= ~face.cells
    faces = compete(grid, faces)
    return sorted(faces, key=lambda f: -area_m2(grid, f))


def _narrow(grid: Grid) -> float:
    return max(0.5 * window_mm(grid), 1.4 * grid.spacing_mm)


def area_m2(grid: Grid, face: CellFace) -> float:
    """Area of the face's cells on the slope."""
    return float(face.cells.sum()) * grid.box.step**2 / 1e6 / max(float(face.fit.normal[2]), 0.05)


def _seed_faces(grid: Grid, planes: CellPlanes, free: Mask, min_area_m2: float) -> list[CellFace]:
    angle = np.radians(max(TURN_DEG, np.degrees(3 * planes.tilt_sd)))
    pool = _smooth_cells(grid, planes) & free
    least = max(0.12 * min_area_m2 * 1e6 / grid.box.step**2, 4)
    faces: list[CellFace] = []
    while pool.sum() >= least:
        mode = _mode(planes.normal[pool], angle)
        alike = pool.copy()
        alike[pool] = planes.normal[pool] @ mode > np.cos(angle)
        pieces, sizes = pieces_of(grid, alike)
        if not len(sizes) or sizes.max() < least:
            pool &= ~alike
            continue
        for piece in np.nonzero(sizes >= least)[0]:
            face = grow(grid, pieces == piece + 1)
            if face is None:
                continue
            faces.append(face)
            close = np.zeros_like(pool)
            close[pool] = planes.normal[pool] @ face.fit.normal > np.cos(1.6 * angle)
            pool &= ~(face.cells & close)
        pool &= ~alike
    return faces


def _smooth_cells(grid: Grid, planes: CellPlanes) -> Mask:
    """Cells whose surroundings are one plane but for tile relief and the scan's own scatter, walls left out."""
    here = np.isfinite(planes.rms) & (grid.moments[0] > 0)
    here[here] = planes.normal[here, 2] > 0.34
    if here.any():
        usual = float(np.percentile(planes.rms[here], 35))
        here[here] = planes.rms[here] < np.hypot(RELIEF_MM, 2.0 * usual)
    return np.asarray(here)


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


def grow(grid: Grid, cells: Mask) -> CellFace | None:
    """A face from its seed cells: refit and take in connected cells whose points stay in the band, until it settles."""
    for _ in range(8):
        index = np.nonzero(cells & (grid.moments[0] > 0))[0]
        sums = grid.moments[:, index]
        if sums[0].sum() < 6 or len(index) < 3:
            return None
        try:
            fit = fit_sum(sums)
        except ValueError:
            return None
        band = _band(offsets(sums, fit)[1], sums[0])
        grown = _in_band(grid, cells, fit, band)
        if grown.sum() < 3:
            return None
        settled = (grown != cells).sum() <= 0.01 * cells.sum()
        cells = grown
        if settled:
            break
    return CellFace(fit, cells, band)


def _in_band(grid: Grid, start: Mask, fit: PlaneFit, band: float) -> Mask:
    """Cells whose points stay in the band about a plane, connected to those of `start` that do."""
    return connected(grid, start, lambda sums: offsets(sums, fit)[1] < band)


def _band(rms: Array, count: Array) -> float:
    order = np.argsort(rms)
    usual = float(rms[order][np.searchsorted(np.cumsum(count[order]), 0.5 * count.sum())])
    return float(np.hypot(1.9 * usual, SAG_MM))


def compete(grid: Grid, faces: list[CellFace], rounds: int = 3) -> list[CellFace]:
    """Give every cell to the face it fits best, refit, grow again, repeat; each face keeps its largest connected piece."""
    known: dict[bytes, CellFace | None] = {}  # a face that keeps its cells from round to round stays as it is
    for _ in range(rounds):
        owner = _best(grid, faces)
        kept = []
        for k in range(len(faces)):
            own = owner == k
            key = np.nonzero(own)[0].tobytes()
            if key not in known:
                known[key] = _regrown(grid, own)
            if (grown := known[key]) is not None:
                kept.append(grown)
        faces = _without_doubles(sorted(kept, key=lambda f: -int(f.cells.sum())))
    return faces


def _best(grid: Grid, faces: list[CellFace]) -> NDArray[np.int32]:
    """The face that fits each cell best among those that reach it, −1 for none."""
    best, owner = np.full(grid.box.size, np.inf), np.full(grid.box.size, -1, dtype=np.int32)
    for k, face in enumerate(faces):
        index = np.nonzero(face.cells)[0]
        rms = offsets(grid.moments[:, index], face.fit)[1]
        wins = rms < best[index]
        best[index[wins]], owner[index[wins]] = rms[wins], k
    return owner


def _regrown(grid: Grid, own: Mask) -> CellFace | None:
    """The face refitted to the largest piece of what it owns, with the cells that then lie in its band."""
    pieces, sizes = bridged(grid, own)
    if not len(sizes):
        return None
    own = pieces == int(np.argmax(sizes)) + 1
    if own.sum() < 3 or grid.moments[0, own].sum() < 6:
        return None
    try:
        fit = fit_sum(grid.moments[:, own])
    except ValueError:
        return None
    band = _band(offsets(grid.moments[:, own], fit)[1], grid.moments[0, own])
    return CellFace(fit, _in_band(grid, own, fit, band), band)


def _without_doubles(faces: list[CellFace]) -> list[CellFace]:
    """Drop a face nearly all of whose cells lie in a larger one of the same direction."""
    kept: list[CellFace] = []
    for face in faces:
        double = any(
            face.fit.normal @ other.fit.normal > 0.9994 and (face.cells & other.cells).sum() > 0.7 * face.cells.sum()
            for other in kept
        )
        if not double and face.cells.sum() >= 3:
            kept.append(face)
    return kept


def settle(grid: Grid, faces: list[CellFace], min_area_m2: float) -> tuple[list[CellFace], NDArray[np.int32]]:
    """Final owner of every cell, and the faces with only the cells they own; pieces apart from each other are faces."""
    owner = _best(grid, faces)
    planes = fit_cells(grid, _narrow(grid))
    kept: list[CellFace] = []
    table = np.full(grid.box.size, -1, dtype=np.int32)
    for k, face in enumerate(faces):
        pieces, sizes = bridged(grid, owner == k)
        for piece in np.argsort(-sizes, kind="stable"):
            own = pieces == piece + 1
            trimmed = CellFace(face.fit, own, face.band)
            if area_m2(grid, trimmed) < 0.6 * min_area_m2:
                break
            if _is_wide(grid, own) and _is_even(planes, trimmed, area_m2(grid, trimmed)):
                table[own] = len(kept)
                kept.append(trimmed)
    return kept, table


def _is_wide(grid: Grid, cells: Mask) -> bool:
    """Whether a set of cells is more than a strip: gutters, caps and tops of walls are not faces."""
    image = cells.reshape(grid.box.shape)[window(grid, cells, 1)]
    return bool(ndimage.binary_erosion(image).sum() >= 0.15 * image.sum())


def _is_even(planes: CellPlanes, face: CellFace, area: float) -> bool:
    """Whether a fair part of a face turns where the whole of it does: crowns of trees and hedges lie in a band too.

    Rafters sag and photogrammetry bubbles over metres, so that a large face may turn more than a small one.
    """
    with np.errstate(invalid="ignore"):
        turn = np.degrees(np.arccos(np.clip(planes.normal[face.cells] @ face.fit.normal, -1.0, 1.0)))
    known = turn[np.isfinite(turn)]
    return bool(len(known) and np.percentile(known, 20) < (EVEN_DEG if area < LARGE_M2 else 1.5 * EVEN_DEG))


def merge(grid: Grid, faces: list[CellFace], min_angle_deg: float) -> list[CellFace]:
    """Join touching faces that turn less than the smallest angle and meet without a step: a sag is one face."""
    faces, changed = list(faces), set[int]()
    i = 0
    while i < len(faces):
        alike = _alike(grid, faces, i, min_angle_deg)
        joined = next(((j, both) for j in alike if (both := _joined(grid, faces[i], faces[j])) is not None), None)
        if joined is None:
            i += 1
            continue
        j, both = joined
        first, second = sorted((i, j))
        faces[first] = both
        del faces[second]
        changed = {k - (k > second) for k in changed if k != second} | {first}
        i = first
    for k in sorted(changed):
        faces[k] = grow(grid, faces[k].cells) or faces[k]
    return faces


def _joined(grid: Grid, a: CellFace, b: CellFace) -> CellFace | None:
    """Two faces as one, not grown yet; None where they span no plane."""
    cells = a.cells | b.cells
    sums = grid.moments[:, cells & (grid.moments[0] > 0)]
    try:
        fit = fit_sum(sums)
    except ValueError:
        return None
    return CellFace(fit, cells, _band(offsets(sums, fit)[1], sums[0]))


def _alike(grid: Grid, faces: list[CellFace], i: int, min_angle_deg: float) -> list[int]:
    """Faces that turn less than the smallest angle against face i and meet it without a step."""
    a = faces[i]
    turned = [j for j, b in enumerate(faces) if j != i and a.fit.normal @ b.fit.normal >= np.cos(np.radians(min_angle_deg))]
    reach = widened(grid, a.cells, 2) if turned else a.cells
    return [j for j in turned if _meet(grid, a, faces[j], reach & faces[j].cells)]


def _meet(grid: Grid, a: CellFace, b: CellFace, contact: Mask) -> bool:
    if contact.sum() < 2:
        return False
    cells = grid.moments[:, contact]
    gap = np.abs(offsets(cells, a.fit)[0] - offsets(cells, b.fit)[0])
    return float(np.median(gap)) < max(a.band, b.band)
