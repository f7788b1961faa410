"""From a settled field to the Surface of a face: own plane, datum, rasters, flatness, findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Polygon

from rowplane.findings import finding
from rowplane.model import Array, Face, Finding, Patch, Surface, TilePattern
from rowplane.surface.datum import frame_of_plane, moved, tilted_frame
from rowplane.surface.field import SubstrateField
from rowplane.surface.flatness import SagLine, flatness_of, steepest_sag

MEAN_STEP_MM, SD_STEP_MM = 200.0, 400.0
SAG_LIMIT = 180.0
"""Span over deflection, IBC table 1604.3: roof members under dead and live load, ceiling not of plaster."""


def on_own_plane(face: Face, field: SubstrateField, taped: bool = False) -> Face:
    """`face` in the frame of the least-squares plane of the field's mean, u level, or where u was `taped` as near to it."""
    turn = tilted_frame if taped else frame_of_plane
    return moved(face, turn(face.frame, *lsq_plane(field, face.outline)))


def finished(
    face: Face,
    pattern: TilePattern | None,
    field: SubstrateField,
    noise_mm: float,
    patches: tuple[Patch, ...],
    note: str,
    step: float,
    left_out: int = 0,
) -> Surface:
    """Surface with its rasters, flatness and findings; `left_out` counts the points or readings kept out of it."""
    face = replace(face, covariance=plane_covariance(field, face.outline))
    corner, own, sd = rasters(field, face.outline, step)
    seen = own[np.isfinite(own)]
    flatness = flatness_of(own, step) if len(seen) else None
    return Surface(
        face, pattern, field, noise_mm, float(np.sqrt(np.mean(seen**2))) if len(seen) else 0.0,
        float(np.abs(seen).max()) if len(seen) else 0.0, float(pattern.relief_mm.max()) if pattern else 0.0,
        corner, step, own, sd, flatness, patches, note, findings_of(face, pattern, field, own, step, left_out),
    )  # fmt: skip


def findings_of(
    face: Face, pattern: TilePattern | None, field: SubstrateField, own: Array, step: float, left_out: int
) -> tuple[Finding, ...]:
    """What a person should know about this face; `own` is its raster of heights."""
    out, name = [], f"face {face.id}"
    if pattern is None:
        out.append(
            finding("no-pattern", name, f"No tile pattern was found on face {face.id}: courses and pans are not known.")
        )
    elif not pattern.has_pans:
        text = f"Face {face.id} shows its courses, {pattern.gauge_mm:.0f} mm apart, but no tile columns: pans and side laps are not known."
        out.append(finding("courses-only", name, text))
    line = steepest_sag(own, step)
    if line is not None:
        span, sag = line.span_mm, line.sag_mm
        doubt, limit = sag_sd(field, np.array(face.outline.bounds[:2]) + step / 2, line, step), span / SAG_LIMIT
        if sag - doubt > limit:
            text = (
                f"Face {face.id} sags {sag:.0f} mm (± {doubt:.1f}) on {span / 1000:.1f} m up its slope, 1/{span / sag:.0f}; "
                f"an ordinary limit is 1/{SAG_LIMIT:.0f}."
            )
            out.append(finding("structure-sag", name, text, sag, limit, "mm"))
    if left_out:
        text = f"Face {face.id}: {left_out:,} points were kept out of the substrate: gross errors, moss, displaced tiles, caps."
        out.append(finding("points-left-out", name, text, float(left_out)))
    return tuple(out)


def sag_sd(field: SubstrateField, corner: Array, line: SagLine, step: float) -> float:
    """Standard deviation of a line's sag under its chord, mm."""
    at = corner + step * np.array([[line.column, row] for row in (line.low, line.middle, line.high)], dtype=float)
    share = (line.middle - line.low) / (line.high - line.low)
    chord = np.array([1 - share, -1.0, share])
    return float(np.sqrt(max(chord @ field.covariance_mm2(at) @ chord, 0.0)))


def inside_grid(outline: Polygon, step: float) -> tuple[Array, Array, NDArray[np.bool_]]:
    """First cell's middle `(2,)`, middles `(nv·nu, 2)` of a raster over an outline, and which lie in it `(nv, nu)`."""
    u0, v0, u1, v1 = outline.bounds
    u, v = np.arange(u0 + step / 2, max(u1, u0 + step), step), np.arange(v0 + step / 2, max(v1, v0 + step), step)
    uu, vv = np.meshgrid(u, v)
    inside = shapely.contains_xy(outline, uu, vv)
    return np.array([u[0], v[0]]), np.column_stack([uu.ravel(), vv.ravel()]), np.asarray(inside)


def rasters(field: SubstrateField, outline: Polygon, step: float) -> tuple[Array, Array, Array]:
    """Corner, mean and standard deviation over the outline."""
    corner, places, inside = inside_grid(outline, step)
    own, sd = np.full(inside.shape, np.nan), np.full(inside.shape, np.nan)
    some = places[inside.ravel()]
    own[inside] = on_lattice(field.mean_mm, outline, some, MEAN_STEP_MM)
    sd[inside] = np.maximum(on_lattice(field.sd_mm, outline, some, SD_STEP_MM), 0.0)
    return corner, own, sd


def on_lattice(values: Callable[[Array], Array], outline: Polygon, places: Array, step: float) -> Array:
    """`values` at many `places` by cubic interpolation on a lattice over the outline's extent.

    A field that bends over 350 mm and more is met to some hundredths of a millimetre, for a fraction of the cost.
    """
    if len(places) == 0:
        return np.zeros(0)
    u0, v0, u1, v1 = outline.buffer(2 * step).bounds
    u, v = np.arange(u0, u1 + step, step), np.arange(v0, v1 + step, step)
    if len(u) * len(v) >= len(places):
        return values(places)
    uu, vv = np.meshgrid(u, v)
    table = values(np.column_stack([uu.ravel(), vv.ravel()])).reshape(uu.shape)
    at = ((places - [u0, v0]) / step)[:, ::-1].T
    return np.asarray(ndimage.map_coordinates(table, at, order=3, mode="nearest"))


def lsq_plane(field: SubstrateField, outline: Polygon) -> tuple[float, float, float]:
    """Least-squares plane of the field's mean over the outline: height at (0, 0), slope along u, slope along v."""
    places = plane_places(outline)
    a = np.column_stack([np.ones(len(places)), places])
    return tuple(np.linalg.lstsq(a, on_lattice(field.mean_mm, outline, places, MEAN_STEP_MM), rcond=None)[0].tolist())


def plane_places(outline: Polygon, most: int = 1500) -> Array:
    """Evenly spread places in the outline, at most about `most`; its corners where it is thinner than the spacing."""
    step = max(100.0, float(np.sqrt(outline.area / most)))
    _, places, inside = inside_grid(outline, step)
    some = places[inside.ravel()]
    return some if len(some) >= 6 else np.array(outline.exterior.coords)[:-1]


def plane_covariance(field: SubstrateField, outline: Polygon) -> Array:
    """Covariance of (slope along u, slope along v, height at the centroid) of the substrate's least-squares plane."""
    places = plane_places(outline, 150)
    a = np.column_stack([places - [outline.centroid.x, outline.centroid.y], np.ones(len(places))])
    solve = np.linalg.pinv(a)
    return np.asarray(solve @ field.covariance_mm2(places) @ solve.T)
