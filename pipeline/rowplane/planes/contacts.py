"""Where two faces meet: the stretch of their planes' intersection line that both of them reach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rowplane.geometry import PlaneFit
from rowplane.model import Array, EdgeKind
from rowplane.planes.grid import Box

PROBE_MM = (250.0, 400.0, 600.0, 800.0)
"""How far to the side a face is looked for: caps and valley trays leave a strip that belongs to neither."""
LEVEL_DEG = 3.5
SHORTEST_MM = 200.0


@dataclass(frozen=True)
class Contact:
    """Faces `first` and `second` meet from `start` to `end` `(3,)`, grid coordinates, mm."""

    first: int
    second: int
    start: Array
    end: Array
    kind: EdgeKind


def find_contacts(box: Box, table: NDArray[np.int32], fits: list[PlaneFit]) -> list[Contact]:
    """All pairs of faces that meet along their intersection line, from the owner of every cell `table` `(size,)`."""
    found: list[Contact] = []
    for i, j in _near_pairs(box, table, len(fits)):
        found += _meet(box, table, fits, i, j)
    return found


def _near_pairs(box: Box, table: NDArray[np.int32], count: int) -> list[tuple[int, int]]:
    image = table.reshape(box.shape)
    reach = int(np.ceil(PROBE_MM[-1] / box.step)) + 1
    pairs: set[tuple[int, int]] = set()
    for dx in range(reach + 1):
        for dy in range(-reach, reach + 1):
            a = image[dx:, max(dy, 0) : image.shape[1] + min(dy, 0)]
            b = image[: image.shape[0] - dx, max(-dy, 0) : image.shape[1] + min(-dy, 0)]
            both = (a >= 0) & (b >= 0) & (a != b)
            keys = np.unique(np.minimum(a, b)[both].astype(np.int64) * count + np.maximum(a, b)[both])
            pairs |= {(int(k // count), int(k % count)) for k in keys}
    return sorted(pairs)


def _meet(box: Box, table: NDArray[np.int32], fits: list[PlaneFit], i: int, j: int) -> list[Contact]:
    a, b = fits[i], fits[j]
    along = np.cross(a.normal, b.normal)
    size = float(np.linalg.norm(along))
    if size < np.sin(np.radians(2.0)) or np.hypot(along[0], along[1]) < 0.3 * size:
        return []
    along /= size
    point = _common_point(a, b, along)
    flat = along[:2] / np.hypot(along[0], along[1])
    across = np.array([-flat[1], flat[0]])
    # The side on which plane a is lower is a's own where the roof is convex, b's own where it is a valley.
    slope = _gradient(a) - _gradient(b)
    convex_side = -np.sign(slope @ across)
    step = box.step / 2
    t = np.arange(*_reach(box, point, flat), step)
    place = point[:2] + t[:, None] * flat
    held = []
    for side in (1.0, -1.0):
        held.append([_owner(box, table, place, across * side, k) for k in (i, j)])
    contacts = []
    for side, here, there in ((1.0, held[0][0], held[1][1]), (-1.0, held[1][0], held[0][1])):
        both = here & there
        for first, last in _runs(both, int(1500 / step)):
            if (last - first) * step < SHORTEST_MM:
                continue
            ends = [point + along * t[k] / np.hypot(along[0], along[1]) for k in (first, last)]
            contacts.append(Contact(i, j, ends[0], ends[1], _kind(along, side == convex_side)))
    return contacts


def _kind(along: Array, convex: bool) -> EdgeKind:
    if not convex:
        return "valley"
    return "ridge" if abs(along[2]) < np.sin(np.radians(LEVEL_DEG)) else "hip"


def _common_point(a: PlaneFit, b: PlaneFit, along: Array) -> Array:
    """The point of both planes nearest to the middle between their centroids."""
    middle = 0.5 * (a.centroid + b.centroid)
    rows = np.array([a.normal, b.normal, along])
    return np.linalg.solve(rows, np.array([a.normal @ a.centroid, b.normal @ b.centroid, along @ middle]))


def _gradient(fit: PlaneFit) -> Array:
    return np.asarray(-fit.normal[:2] / fit.normal[2])


def _reach(box: Box, point: Array, flat: Array) -> tuple[float, float]:
    corners = np.array([[0, 0], [box.shape[0], 0], [0, box.shape[1]], list(box.shape)], dtype=float) * box.step
    t = (corners - point[:2]) @ flat
    return float(t.min()), float(t.max())


def _owner(box: Box, table: NDArray[np.int32], place: Array, out: Array, face: int) -> NDArray[np.bool_]:
    """Whether `face` is met beside each place `(m, 2)` in direction `out`, within the probe's reach."""
    hit = np.zeros(len(place), dtype=bool)
    for distance in PROBE_MM:
        cell = np.floor((place + distance * out) / box.step).astype(int)
        inside = ((cell >= 0) & (cell < np.array(box.shape))).all(axis=1)
        hit[inside] |= table[cell[inside, 0] * box.shape[1] + cell[inside, 1]] == face
    return hit


def _runs(mask: NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    """First and last index of stretches of True, gaps of up to `gap` bridged."""
    index = np.nonzero(mask)[0]
    if not len(index):
        return []
    cuts = np.nonzero(np.diff(index) > gap)[0]
    starts = np.concatenate([[0], cuts + 1])
    ends = np.concatenate([cuts, [len(index) - 1]])
    return [(int(index[s]), int(index[e])) for s, e in zip(starts, ends, strict=True)]
