"""A drone's scan of an invented house: where points fall, which are missed, and how each one errs.

Errors of a point: white isotropic noise; matching noise correlated over about 0.1 m and a smooth error over metres, both
square to the surface (upwards beside the roof); gross outliers. Points come face by face in blocks, so that a scan of any
size is made in bounded memory; a block depends only on the seed, the face and its number.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from scenes import labels
from scenes.clutter import Cloud, Tree
from scenes.faces import Face
from scenes.fields import Field, draw_field
from scenes.relief import profile_mm

Array = NDArray[np.float64]
BLOCK = 1_000_000
CAP_HALF_M, CAP_RISE_MM = 0.12, 35.0  # half width of ridge and hip caps, their rise over the tile crowns
TRAY_HALF_M = 0.08  # valley tray to each side
UNEVEN_LENGTH_M = 2.0
UNEVEN_LIMITS = (0.3, 2.5)


@dataclass(frozen=True)
class ScanOptions:
    """How the roof was scanned; zeros switch an effect off."""

    density: float = 600.0  # points per square metre of slope
    unevenness: float = 0.3  # sd of the log of the local density
    pan_loss: float = 0.4  # share of points lost at the pan's bottom, none at the crown
    white_mm: float = 6.0
    fine_mm: float = 1.0  # noise correlated over fine_length_m
    fine_length_m: float = 0.1
    smooth_mm: float = 1.0  # survey error correlated over smooth_length_m
    smooth_length_m: float = 3.0
    outliers: float = 0.01  # share of gross outliers


PERFECT = ScanOptions(unevenness=0, pan_loss=0, white_mm=0, fine_mm=0, smooth_mm=0, outliers=0)


@dataclass(frozen=True)
class ScanFields:
    """The drawn fields of one scan; None where switched off."""

    uneven: Field | None
    fine: Field | None
    smooth: Field | None

    def error_mm(self, xy_m: Array) -> Array:
        """Correlated error at plan points."""
        parts = [f.at(xy_m) for f in (self.fine, self.smooth) if f is not None]
        return np.sum(parts, axis=0) if parts else np.zeros(len(xy_m))

    def density_factor(self, xy_m: Array) -> Array:
        """Local density over the mean one, within UNEVEN_LIMITS."""
        return np.ones(len(xy_m)) if self.uneven is None else np.clip(np.exp(self.uneven.at(xy_m)), *UNEVEN_LIMITS)


def draw_fields(low_m: Array, high_m: Array, options: ScanOptions, rng: np.random.Generator) -> ScanFields:
    """Fields over the plan box of the roof."""
    streams = rng.spawn(3)
    uneven = draw_field(low_m, high_m, UNEVEN_LENGTH_M, options.unevenness, streams[0]) if options.unevenness else None
    fine = draw_field(low_m, high_m, options.fine_length_m, options.fine_mm, streams[1]) if options.fine_mm else None
    smooth = draw_field(low_m, high_m, options.smooth_length_m, options.smooth_mm, streams[2]) if options.smooth_mm else None
    return ScanFields(uneven, fine, smooth)


def _seen(face: Face, u: Array, v: Array, options: ScanOptions) -> Array:
    """Chance that a point is kept, by its place between pan and crown; mean 1 over a tile before the caller's scaling."""
    tile = face.tile
    if tile.kind not in ("s", "barrel") or options.pan_loss == 0:
        return np.ones(len(u))
    even = (np.arange(400) + 0.5) / 400
    mean = 1 - options.pan_loss * float(1 - np.mean(profile_mm(tile.kind, 1.0, even)))
    height = profile_mm(tile.kind, 1.0, np.mod(tile.column(u, v), 1.0))
    return (1 - options.pan_loss * (1 - height)) / mean


def _roof_w(face: Face, u: Array, v: Array, caps: bool) -> tuple[Array, NDArray[np.int16]]:
    """Height over the nominal plane of what the scanner meets on a face, and its label."""
    w = face.surface_mm(u, v)
    label = np.full(len(u), face.index, dtype=np.int16)
    if face.tile.kind == "none" or not caps:
        return w, label
    valley = face.edge_distance_m(("valley",), u, v) < TRAY_HALF_M
    substrate = face.substrate_mm(u[valley], v[valley])
    w[valley], label[valley] = substrate, labels.TRAY
    d = face.edge_distance_m(("ridge", "hip"), u, v)
    capped = d < CAP_HALF_M
    w[capped] = (
        face.substrate_mm(u[capped], v[capped]) + face.tile.top_mm + CAP_RISE_MM * np.sqrt(1 - (d[capped] / CAP_HALF_M) ** 2)
    )
    label[capped] = labels.CAP
    return w, label


def face_blocks(
    face: Face, options: ScanOptions, fields: ScanFields, trees: list[Tree], caps: bool, seed: np.random.SeedSequence
) -> Iterator[Cloud]:
    """Exact points on one face in blocks: world metres without noise, labels. Obstacles and crowns of trees hide tiles."""
    u0, v0, u1, v1 = face.polygon.bounds
    most = (UNEVEN_LIMITS[1] if fields.uneven is not None else 1.0) * float(1 / (1 - options.pan_loss * 0.8))
    counter, rng = 0, np.random.default_rng(seed)
    left = int(rng.poisson((u1 - u0) * (v1 - v0) * options.density * most))
    hidden = [o.polygon for o in face.obstacles]
    while left > 0:
        rng = np.random.default_rng(np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, counter)))
        n, left, counter = min(left, BLOCK), left - min(left, BLOCK), counter + 1
        u, v = rng.uniform(u0, u1, n), rng.uniform(v0, v1, n)
        chance = rng.random(n) * most
        keep = face.inside(u, v)
        u, v, chance = u[keep], v[keep], chance[keep]
        plan = face.to_world(u, v)[:, :2]
        keep = chance < _seen(face, u, v, options) * fields.density_factor(plan)
        for polygon in hidden:
            keep &= ~shapely.contains_xy(polygon, u, v)
        u, v = u[keep], v[keep]
        w, label = _roof_w(face, u, v, caps)
        points = face.to_world(u, v, w)
        for tree in trees:
            keep = ~(tree.hides(points) & (rng.random(len(points)) < 0.7))
            points, label = points[keep], label[keep]
        yield points, label


def with_errors(cloud: Cloud, normal: Array, options: ScanOptions, fields: ScanFields, rng: np.random.Generator) -> Cloud:
    """Add the scanner's errors; normal is the direction of the correlated ones."""
    points, label = cloud
    points = points + fields.error_mm(points[:, :2])[:, None] / 1000 * normal
    if options.white_mm:
        points += rng.standard_normal(points.shape) * (options.white_mm / 1000)
    if options.outliers:
        gross = rng.random(len(points)) < options.outliers
        shift = rng.uniform(0.1, 1.5, gross.sum()) * rng.choice([-1.0, 1.0], gross.sum())
        points[gross] += shift[:, None] * normal
        label = np.where(gross, np.int16(labels.OUTLIER), label)
    return points, label
