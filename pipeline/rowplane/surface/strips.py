"""What runs along a face's edges and is no tile of its grid: caps, valley trays, gutters, flashings.

One tile beside an edge holds too few points to tell a cap from noise; the whole edge together does. Each edge is looked at
in bands of equal distance, and what is off is cut away as deep as it reaches in, along the whole of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rowplane.model import Array, Edge
from rowplane.surface.relief import robust_sd

BAND_MM = 40.0
OUT_MM, IN_MM = 160.0, 360.0
"""How far outside and inside an edge is looked at: caps and trays are a hand or two wide."""
FEWEST = 6
OFF_MM = 12.0
OFF_SIGMAS = 5.0
SEAT_MM, TILE_MM = 2.5, 300.0
"""Tiles along an edge sit by themselves: a band's median cannot be known better than so many of them allow."""


@dataclass(frozen=True)
class Strip:
    """A strip along an edge, `depth_mm` deep inwards (0: only what lies outside), its tops `height_mm` over the tiles' own."""

    edge: Edge
    depth_mm: float
    height_mm: float

    def holds(self, u: Array, v: Array) -> NDArray[np.bool_]:
        """Which places lie in it, or outside the edge beside it."""
        inside, along = _from_edge(self.edge, u, v)
        return np.asarray((inside < self.depth_mm) & (inside > -2 * OUT_MM) & (along > 0) & (along < 1))

    def outline(self) -> shapely.Polygon:
        """Rectangle from the edge inwards."""
        start, run, inwards, _ = _lines(self.edge)
        corners = [start, start + run, start + run + self.depth_mm * inwards, start + self.depth_mm * inwards]
        return shapely.Polygon(np.array(corners))


def _lines(edge: Edge) -> tuple[Array, Array, Array, float]:
    start = np.array(edge.start_uv)
    run = np.array(edge.end_uv) - start
    length = max(float(np.hypot(*run)), 1e-9)
    return start, run, np.array([-run[1], run[0]]) / length, length


def _from_edge(edge: Edge, u: Array, v: Array) -> tuple[Array, Array]:
    """Distance inwards, mm, and share of the way along, of places `(n,)`. Outlines run counter-clockwise."""
    start, run, inwards, length = _lines(edge)
    du, dv = u - start[0], v - start[1]
    return du * inwards[0] + dv * inwards[1], (du * run[0] + dv * run[1]) / length**2


def find_strips(edges: Sequence[Edge], u: Array, v: Array, away: Array) -> tuple[Strip, ...]:
    """Strips from points `(n,)` with their height `away` over what the tiles about them let expect."""
    scatter = robust_sd(away)
    base = float(np.mean(np.abs(away) > 3 * scatter))
    found = (_strip(edge, u, v, away, scatter, base) for edge in edges)
    return tuple(strip for strip in found if strip is not None)


def _strip(edge: Edge, u: Array, v: Array, away: Array, scatter: float, base: float) -> Strip | None:
    inside, along = _from_edge(edge, u, v)
    near = (inside > -OUT_MM) & (inside < IN_MM) & (along > 0) & (along < 1)
    if near.sum() < FEWEST:
        return None
    band, height = np.floor(inside[near] / BAND_MM).astype(int), away[near]
    tiles = max(_lines(edge)[3] / TILE_MM, 1.0)
    last, tops = None, []
    for k in range(int(-OUT_MM / BAND_MM), int(IN_MM / BAND_MM)):
        here = height[band == k]
        if len(here) < FEWEST:
            continue
        if not _is_off(here, scatter, base, tiles):
            if k >= 0:
                break
            continue
        last = k
        tops.append(float(np.median(here)))
    # Half a band more: the next one may hold a few of its points.
    return None if last is None else Strip(edge, max((last + 1.5) * BAND_MM, 0.0), float(np.median(tops)))


def _is_off(away: Array, scatter: float, base: float, tiles: float) -> bool:
    """Whether a band's points stand off as a whole, or too many of them by themselves."""
    n = len(away)
    doubt = OFF_SIGMAS * np.sqrt(1.57 * scatter**2 / n + SEAT_MM**2 / tiles)
    share = float(np.mean(np.abs(away) > 3 * scatter))
    many = share > base + 0.15 + OFF_SIGMAS * np.sqrt(max(base, 1 / n) / n)
    return bool(abs(np.median(away)) > max(OFF_MM, doubt) or many)
