"""The plan polygon of the roof, given in the lead or as GeoJSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from shapely.errors import ShapelyError
from shapely.geometry import MultiPolygon, Polygon, shape
from shapely.ops import unary_union

from rowplane.errors import RowplaneError
from rowplane.model import Array

SUBJECT = "ingest.footprint"
MOST_BYTES = 20_000_000
ALLOWED = "a polygon of three corners or more that does not cross itself"


def footprint_of(given: tuple[tuple[float, float], ...] | str, beside: Path, crs: Any, near: Array) -> Polygon:
    """The polygon in the scan's own plan coordinates; `near` `(2,)` is a point of the scan.

    A GeoJSON file may be in longitude and latitude (RFC 7946) where the scan's system is known. A relative name is one
    beside the scan. Raises RowplaneError.
    """
    return _from_file(beside / given, crs, near) if isinstance(given, str) else _polygon(np.array(given, float))


def misses(polygon: Polygon, low: Array, high: Array) -> RowplaneError:
    """The error for a footprint that holds no point of a scan that reaches from `low` to `high` `(2,)`."""
    west, south, east, north = polygon.bounds
    return RowplaneError(
        SUBJECT,
        f"a polygon from {west:.10g}, {south:.10g} to {east:.10g}, {north:.10g}, which misses the scan",
        f"one on the scan, which reaches from {low[0]:.10g}, {low[1]:.10g} to {high[0]:.10g}, {high[1]:.10g}",
        "Give it in the scan's own coordinates.",
    )


def _polygon(corners: Array) -> Polygon:
    if len(corners) < 3:
        raise RowplaneError(SUBJECT, f"{len(corners)} corners", ALLOWED, "Give all its corners.")
    polygon = Polygon(corners)
    if not polygon.is_valid or not polygon.area > 0:
        raise RowplaneError(SUBJECT, "a polygon that crosses itself or has no area", ALLOWED, "Give its corners in order.")
    return polygon


def _from_file(path: Path, crs: Any, near: Array) -> Polygon:
    try:
        # A device or pipe has no end.
        if path.exists() and not (path.is_file() and path.stat().st_size <= MOST_BYTES):
            raise RowplaneError(SUBJECT, path.name, f"a GeoJSON file of up to {MOST_BYTES:,} bytes", "Keep the roof's polygon only.")
        found = json.loads(path.read_text(encoding="utf-8-sig"))
        polygons = [shape(g) for g in _geometries(found)]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, ArithmeticError, RecursionError, ShapelyError) as error:
        raise RowplaneError(
            SUBJECT,
            f"{path.name}, which cannot be read as GeoJSON ({str(error)[:80]})",
            "a GeoJSON polygon",
            "Export it again.",
        ) from error
    flat = [p for p in polygons if isinstance(p, Polygon | MultiPolygon)]
    if not flat:
        raise RowplaneError(SUBJECT, f"{path.name} without a polygon", "a GeoJSON polygon", "Draw the roof as a polygon.")
    whole: Any = unary_union(flat)
    if not isinstance(whole, Polygon):
        raise RowplaneError(
            SUBJECT, f"{path.name} with {len(flat)} separate polygons", "one polygon", "Keep the roof's polygon only."
        )
    if crs is not None and _in_degrees(whole.bounds) and np.abs(near).max() > 360:
        return _polygon(_from_degrees(np.array(whole.exterior.coords)[:, :2], crs))
    return _polygon(np.array(whole.exterior.coords)[:, :2])


def _geometries(found: Any) -> list[Any]:
    if found["type"] == "FeatureCollection":
        return [f["geometry"] for f in found["features"] if f.get("geometry")]
    if found["type"] == "Feature":
        return [found["geometry"]]
    return [found]


def _in_degrees(bounds: tuple[float, float, float, float]) -> bool:
    west, south, east, north = bounds
    return west >= -180 and east <= 180 and south >= -90 and north <= 90


def _from_degrees(corners: Array, crs: Any) -> Array:
    import pyproj

    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    # RFC 7946, section 4: positions are WGS 84 longitude and latitude.
    across = pyproj.Transformer.from_crs("OGC:CRS84", flat, always_xy=True)
    return np.column_stack(across.transform(corners[:, 0], corners[:, 1]))
