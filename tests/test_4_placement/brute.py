"""The best grid offset by trying every place where the grid touches the outline twice; slow, and free of the package's ways.

In the plane of offsets (one grid period), every module corner that touches a side, and every module side that touches a
corner of the outline, is a segment. A best set of cells is held at a crossing of two such segments or at an end of one.
Containment is asked of the outline itself.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

FIT = 1e-6


def touching_segments(usable: BaseGeometry, a: float, b: float) -> np.ndarray:
    """`(n, 2, 2)` places of a module's lower left corner at which it touches a side or a corner of the outline."""
    corners = np.array([[0, 0], [a, 0], [a, b], [0, b]], dtype=float)
    found = []
    for part in shapely.get_parts(usable):
        for ring in (part.exterior, *part.interiors):
            points = np.asarray(ring.coords)[:, :2]
            for p, q in pairwise(points):
                found += [[p - c, q - c] for c in corners]
            for p in points[:-1]:
                found += [[p - corners[k], p - corners[(k + 1) % 4]] for k in range(4)]
    return np.array(found)


def crossings(segments: np.ndarray, period: tuple[float, float]) -> np.ndarray:
    """Offsets `(m, 2)` at which two of `segments` meet, both folded into one period, and all their ends."""
    size = np.array(period)
    lows, highs = segments.min(axis=1), segments.max(axis=1)
    shifted = []
    for segment, low, high in zip(segments, lows, highs, strict=True):
        first, last = np.floor(low / size).astype(int), np.floor(high / size).astype(int)
        for i in range(first[0], last[0] + 1):
            shifted += [segment - size * [i, j] for j in range(first[1], last[1] + 1)]
    s = np.array(shifted)
    p, r = s[:, 0], s[:, 1] - s[:, 0]
    i, j = np.triu_indices(len(s), 1)
    cross = r[i, 0] * r[j, 1] - r[i, 1] * r[j, 0]
    ok = np.abs(cross) > 1e-9 * np.linalg.norm(r[i], axis=1) * np.linalg.norm(r[j], axis=1)
    i, j, cross = i[ok], j[ok], cross[ok]
    d = p[j] - p[i]
    t = (d[:, 0] * r[j, 1] - d[:, 1] * r[j, 0]) / cross
    u = (d[:, 0] * r[i, 1] - d[:, 1] * r[i, 0]) / cross
    on = (t > -1e-9) & (t < 1 + 1e-9) & (u > -1e-9) & (u < 1 + 1e-9)
    points = np.vstack([p[i[on]] + t[on, None] * r[i[on]], segments.reshape(-1, 2)])
    inside = ((points > -1e-6) & (points < size + 1e-6)).all(axis=1)
    points = np.vstack([points[inside], segments.reshape(-1, 2)]) % size
    return np.unique(np.round(points, 7), axis=0)


def counts(usable: BaseGeometry, a: float, b: float, gap: float, offsets: np.ndarray, least: int) -> np.ndarray:
    """Modules in groups of `least` or more at each offset."""
    p, q = a + gap, b + gap
    u0, v0, u1, v1 = usable.bounds
    columns, rows = (
        np.arange(np.floor((u0 - p) / p), np.ceil(u1 / p) + 1),
        np.arange(np.floor((v0 - q) / q), np.ceil(v1 / q) + 1),
    )
    i, j = (g.ravel() for g in np.meshgrid(columns, rows))
    generous = shapely.buffer(usable, FIT, join_style="mitre")
    shapely.prepare(generous)
    total = np.zeros(len(offsets), dtype=int)
    for begin in range(0, len(offsets), 4000):
        part = offsets[begin : begin + 4000]
        x, y = part[:, :1] + i * p, part[:, 1:] + j * q
        centre = shapely.contains_xy(generous, x + a / 2, y + b / 2)
        held = np.zeros(x.shape, dtype=bool)
        held[centre] = shapely.covers(generous, shapely.box(x[centre], y[centre], x[centre] + a, y[centre] + b))
        fields = held.reshape(len(part), len(rows), len(columns))
        if least == 1:
            total[begin : begin + 4000] = held.sum(axis=1)
            continue
        for k, field in enumerate(fields):
            label, _ = ndimage.label(field)
            size = np.bincount(label.ravel())[1:]
            total[begin + k] = size[size >= least].sum()
    return total


def best_count(usable: BaseGeometry, a: float, b: float, gap: float, least: int) -> int:
    """The greatest number of modules of a × b mm that one aligned grid holds."""
    offsets = crossings(touching_segments(usable, a, b), (a + gap, b + gap))
    return int(counts(usable, a, b, gap, offsets, least).max(initial=0))


def random_polygon(rng: np.random.Generator) -> Polygon:
    """A star-shaped outline of 5 to 8 corners, up to 7 m across, with up to two holes."""
    n = int(rng.integers(5, 9))
    turn = (np.arange(n) + rng.uniform(-0.4, 0.4, n)) * 2 * np.pi / n
    reach = rng.uniform(1800, 4200, n)
    outline = Polygon(np.column_stack([np.cos(turn), 0.8 * np.sin(turn)]) * reach[:, None])
    for _ in range(int(rng.integers(0, 3))):
        u, v = rng.uniform(-2000, 2000, 2)
        w, h = rng.uniform(200, 900, 2)
        hole = shapely.affinity.rotate(box(u, v, u + w, v + h), float(rng.uniform(0, 90)))
        outline = outline.difference(hole)
    return outline
