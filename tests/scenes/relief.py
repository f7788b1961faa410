"""Relief of laid tiles: one profile, repeated by cover width across and by gauge up the slope.

Heights in millimetres over the battens, u and v in metres in the face's frame. A tile rises to its nose, because it rests on
the course below; the surface therefore drops by the course step at every nose line. Beside the ideal pattern a laid roof
holds seating scatter (constant over a tile), slipped and missing tiles and moss.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
PAN_SHARE = {"s": 0.46, "barrel": 0.40}  # part of the cover width that is pan
MISSING_MM = -22.0  # the underlay seen through a hole, below the batten's top


@dataclass(frozen=True)
class TileOptions:
    """How the tiles are made and laid; kind 'none' gives a smooth covering."""

    kind: str = "s"  # s, barrel, flat or none
    rise_mm: float = 45.0  # pan bottom to crown top; for flat tiles the height of the rib at the side lap
    step_mm: float = 14.0  # drop at the nose
    gauge_mm: float | None = None  # None: drawn from 310-370
    cover_mm: float | None = None  # None: drawn from 200-330
    gauge_drift: float = 0.0  # share by which the gauge shrinks from eave to ridge
    skew_mm_per_m: float = 0.0  # columns lean to the right by this going up
    seat_sd_mm: float = 2.0
    slipped: float = 0.0  # share of tiles lifted by slip_mm and slid down by slip_down_mm
    slip_mm: float = 15.0
    slip_down_mm: float = 25.0
    missing: float = 0.0  # share of tiles missing, 0.02 is a neglected roof
    moss_patches: int = 0  # per face
    moss_mm: float = 20.0
    moss_width_m: float = 0.3
    caps: bool = True  # ridge and hip caps


FLAT_TILES = TileOptions(kind="flat", rise_mm=4.0, step_mm=18.0)
BARREL_TILES = TileOptions(kind="barrel", rise_mm=70.0, step_mm=14.0)
NO_TILES = TileOptions(kind="none", seat_sd_mm=0, caps=False)


@dataclass(frozen=True)
class TilePattern:
    """Truth of one face's tiling. u0_m: left edge of tile column 0; v0_m: nose line of the first full course."""

    kind: str
    rise_mm: float
    step_mm: float
    gauge_mm: float
    cover_mm: float
    u0_m: float
    v0_m: float
    length_m: float
    gauge_drift: float = 0.0
    skew_mm_per_m: float = 0.0

    def course(self, v_m: Array) -> Array:
        """Running course count at v: whole at every nose line, 0 at the first full course."""
        t = np.asarray(v_m, dtype=float) - self.v0_m
        return t * 1000 / self.gauge_mm * (1 + self.gauge_drift * t / (2 * self.length_m))

    def nose_v_m(self, course: Array) -> Array:
        """v of the nose line of a course: the inverse of `course`."""
        k = np.asarray(course, dtype=float) * self.gauge_mm / 1000
        c = self.gauge_drift / (2 * self.length_m)
        return self.v0_m + (k if c == 0 else (np.sqrt(1 + 4 * c * k) - 1) / (2 * c))

    def column(self, u_m: Array, v_m: Array) -> Array:
        """Running column count at u, v: whole at every left tile edge."""
        t = np.asarray(v_m, dtype=float) - self.v0_m
        return (np.asarray(u_m, dtype=float) - self.u0_m - self.skew_mm_per_m / 1000 * t) * 1000 / self.cover_mm

    def pan_u_m(self, column: Array, v_m: Array) -> Array:
        """u of the middle (the lowest line) of the pan of a tile column, at v."""
        lean = self.skew_mm_per_m / 1000 * (np.asarray(v_m, dtype=float) - self.v0_m)
        share = PAN_SHARE.get(self.kind, 1.0) / 2
        return self.u0_m + lean + (np.asarray(column, dtype=float) + share) * self.cover_mm / 1000

    def crown_u_m(self, column: Array, v_m: Array) -> Array:
        """u of the crown's top of a tile column, at v; the middle of the tile where there is no crown."""
        grid = np.linspace(0, 1, 2001)
        top = grid[np.argmax(profile_mm(self.kind, self.rise_mm, grid))] if self.kind in PAN_SHARE else 0.5
        return self.pan_u_m(column, v_m) + (top - PAN_SHARE.get(self.kind, 1.0) / 2) * self.cover_mm / 1000

    def height_mm(self, u_m: Array, v_m: Array) -> Array:
        """Ideal tile surface over the battens."""
        if self.kind == "none":
            return np.zeros(np.broadcast(u_m, v_m).shape)
        return relief_mm(self, np.mod(self.column(u_m, v_m), 1.0), np.mod(self.course(v_m), 1.0))

    @property
    def mean_mm(self) -> float:
        """Mean of the ideal relief over a whole tile."""
        if self.kind == "none":
            return 0.0
        p = (np.arange(2000) + 0.5) / 2000
        return float(profile_mm(self.kind, self.rise_mm, p).mean() + self.step_mm / 2)

    @property
    def top_mm(self) -> float:
        """Highest point of the ideal relief."""
        return 0.0 if self.kind == "none" else self.rise_mm + self.step_mm


def draw_pattern(options: TileOptions, rng: np.random.Generator) -> TilePattern:
    """The house's tile: gauge and cover width drawn where not given. Phases and length are set per face."""
    gauge, cover = float(np.round(rng.uniform(310, 370))), float(np.round(rng.uniform(200, 330)))
    return TilePattern(
        options.kind,
        options.rise_mm,
        options.step_mm,
        options.gauge_mm or gauge,
        options.cover_mm or cover,
        0.0,
        0.0,
        1.0,
        options.gauge_drift,
        options.skew_mm_per_m,
    )


def profile_mm(kind: str, rise_mm: float, p: Array) -> Array:
    """Cross section of a tile at p in [0, 1) from its left edge: pan first, then the crown; lowest 0, highest rise_mm."""
    if kind == "flat":
        return np.where(p < 0.07, rise_mm, 0.0)
    if kind == "none":
        return np.zeros(p.shape)
    share = PAN_SHARE[kind]
    depth = 0.14 * rise_mm if kind == "s" else 0.0
    pan = depth * (1 - np.sin(np.pi * np.clip(p / share, 0, 1)))
    t = np.clip((p - share) / (1 - share), 0, 1)
    bend, power = (0.85, 1.0) if kind == "s" else (1.0, 0.6)
    crown = depth + (rise_mm - depth) * np.sin(np.pi * t**bend) ** power
    return np.where(p < share, pan, crown)


def relief_mm(tile: TilePattern, p: Array, q: Array) -> Array:
    """Surface of one tile at shares p across and q up from its nose: profile plus the tilt of the course."""
    return profile_mm(tile.kind, tile.rise_mm, p) + tile.step_mm * (1 - q)


@dataclass(frozen=True)
class Laid:
    """The tiles of one face as laid: the pattern and what each single tile does. Arrays are (courses, columns)."""

    pattern: TilePattern
    first: tuple[int, int]  # course and column of element [0, 0]
    seat_mm: Array
    slid: Array  # share of a gauge by which a tile slid down
    missing: NDArray[np.bool_]
    moss_uv_m: Array  # (m, 2) middles of the patches
    moss_mm: float
    moss_width_m: float

    def height_mm(self, u_m: Array, v_m: Array) -> Array:
        """Tile tops over the battens as laid, at arrays u, v of one shape."""
        if self.pattern.kind == "none":
            return self._moss_mm(u_m, v_m)
        column, course = self.pattern.column(u_m, v_m), self.pattern.course(v_m)
        j, k = np.floor(column), np.floor(course)
        row = np.clip(k.astype(int) - self.first[0], 0, self.seat_mm.shape[0] - 1)
        col = np.clip(j.astype(int) - self.first[1], 0, self.seat_mm.shape[1] - 1)
        q = np.minimum(course - k + self.slid[row, col], 1.0)
        height = relief_mm(self.pattern, column - j, q) + self.seat_mm[row, col]
        return np.where(self.missing[row, col], MISSING_MM, height) + self._moss_mm(u_m, v_m)

    def _moss_mm(self, u_m: Array, v_m: Array) -> Array:
        height = np.zeros(np.shape(u_m))
        for u, v in self.moss_uv_m:
            near = 1 - ((u_m - u) ** 2 + (v_m - v) ** 2) / (self.moss_width_m / 2) ** 2
            height = np.maximum(height, self.moss_mm * np.sqrt(np.clip(near, 0, 1)))
        return height


def lay_tiles(pattern: TilePattern, width_m: float, options: TileOptions, rng: np.random.Generator) -> Laid:
    """Draw what each tile of a face does: seating scatter, slipped and missing tiles, moss."""
    courses = int(np.ceil(pattern.course(np.array(pattern.length_m)))) + 3
    columns = int(np.ceil((width_m + abs(pattern.skew_mm_per_m) / 500 * pattern.length_m) * 1000 / pattern.cover_mm)) + 6
    shape = (courses, columns)
    seat = np.round(rng.normal(0, 1, shape) * options.seat_sd_mm, 3)
    chance = rng.random(shape)
    slips = chance < options.slipped
    missing = (chance >= options.slipped) & (chance < options.slipped + options.missing)
    moss = rng.random((options.moss_patches, 2)) * [width_m, pattern.length_m]
    first_column = int(np.floor(min(pattern.column(np.array(0.0), np.array([0.0, pattern.length_m]))))) - 1
    return Laid(
        pattern,
        (-1, first_column),
        seat + slips * options.slip_mm,
        slips * options.slip_down_mm / pattern.gauge_mm,
        missing,
        moss,
        options.moss_mm,
        options.moss_width_m,
    )
