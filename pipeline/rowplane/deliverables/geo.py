"""layout.geojson (RFC 7946) where the scan has a CRS, and deviation.tif, the raster behind the map of deviation."""

from __future__ import annotations

import json
import math
import warnings
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rowplane.deliverables.content import Cell, Files, Point, Sheets
from rowplane.deliverables.keyplan import corners, plan_points
from rowplane.deliverables.places import Places
from rowplane.frames import survey_to_face, survey_to_scan
from rowplane.model import Array, RoofResult, SurveyFrame

CELL_MM = 100.0
MOST_CELLS = 4_000_000
DEGREE_DECIMALS = 9
"""A tenth of a millimetre on the ground."""


def geo_files(result: RoofResult, sheets: Sheets) -> Files:
    """deviation.tif where a face was mapped; layout.geojson where the CRS is known. Neither is made up."""
    files: Files = {}
    if any(np.isfinite(s.own_mm).any() for s in result.surfaces.surfaces):
        files["deviation.tif"] = deviation_tif(result)
    crs = scan_crs(result.survey.frame)
    if crs is not None and sheets.drawings:
        text = json.dumps(layout_geojson(result, sheets, crs), ensure_ascii=False, indent=1, allow_nan=False)
        files["layout.geojson"] = text.encode("utf-8", "replace") + b"\n"
    return files


def scan_crs(frame: SurveyFrame) -> Any:
    """The horizontal CRS of the scan as pyproj CRS; None where it is not known or not on a map."""
    if not frame.epsg and not frame.crs_wkt:
        return None
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        crs = CRS.from_epsg(frame.epsg) if frame.epsg else CRS.from_wkt(str(frame.crs_wkt))
        flat = crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()
    except CRSError:
        return None
    return flat if flat.is_projected else None


# ---------------------------------------------------------------- GeoJSON


def layout_geojson(result: RoofResult, sheets: Sheets, crs: Any) -> dict[str, Any]:
    """Faces, modules, rails, hooks and feet as features, longitude and latitude of WGS 84, outer rings counter-clockwise."""
    from pyproj import Transformer

    there = Transformer.from_crs(crs, 4326, always_xy=True)
    frame = result.survey.frame
    # The CRS may count in another unit than the scan was said to have.
    factor = frame.unit_mm / 1000 / crs.axis_info[0].unit_conversion_factor

    def degrees(points: Array) -> list[list[float]]:
        xy = np.asarray(points, dtype=float) * factor
        lon, lat = there.transform(xy[:, 0], xy[:, 1])
        return [[round(float(a), DEGREE_DECIMALS), round(float(b), DEGREE_DECIMALS)] for a, b in zip(lon, lat, strict=True)]

    features = [*_face_features(result, sheets, degrees), *_module_features(result, sheets, degrees)]
    for row in sheets.tables["rails"].records():
        ends = np.array([[row["x_start"], row["y_start"]], [row["x_end"], row["y_end"]]], dtype=float)
        if np.isfinite(ends).all():
            features.append(_feature("rail", row, {"type": "LineString", "coordinates": degrees(ends)}))
    for kind, table in (("hook", "hooks"), ("foot", "feet")):
        for row in sheets.tables[table].records():
            at = np.array([[row["x"], row["y"]]], dtype=float)
            if np.isfinite(at).all():
                features.append(_feature(kind, row, {"type": "Point", "coordinates": degrees(at)[0]}))
    return {
        "type": "FeatureCollection",
        "lead": sheets.lead,
        "survey_date": sheets.survey_date,
        "revision": sheets.revision,
        "features": features,
    }


def _face_features(result: RoofResult, sheets: Sheets, degrees: Any) -> list[dict[str, Any]]:
    surfaces = {s.face.id: s.face for s in result.surfaces.surfaces}
    rows = {str(r["face"]): r for r in sheets.tables["faces"].records()}
    features = []
    for rough in result.roof.faces:
        face = surfaces.get(rough.id, rough)
        if not face.outline.is_empty:
            ring = degrees(_scan_xy(result.survey.frame, plan_points(face, face.outline)))
            features.append(_feature("face", rows[face.id], polygon(ring)))
    return features


def _module_features(result: RoofResult, sheets: Sheets, degrees: Any) -> list[dict[str, Any]]:
    places, features = Places(result), []
    rows = {str(r["module"]): r for r in sheets.tables["modules"].records()}
    for array in result.layout.arrays:
        for module in array.modules:
            at = [places.scan_xyz(array.face, u, v, _height(places, array.id, u, v))[:2] for u, v in corners(module.rect_mm)]
            features.append(_feature("module", rows[module.id], polygon(degrees(np.array(at)))))
    return features


def _height(places: Places, array: str, u: float, v: float) -> float:
    height = places.plane_height(array, u, v)
    return height if math.isfinite(height) else 0.0


def polygon(ring: list[list[float]]) -> dict[str, Any]:
    """A GeoJSON polygon of an open ring: closed, outer ring counter-clockwise (RFC 7946, section 3.1.6)."""
    area = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, ring[1:] + ring[:1], strict=True))
    wound = ring if area > 0 else [ring[0], *ring[:0:-1]]
    return {"type": "Polygon", "coordinates": [[*wound, wound[0]]]}


def _feature(kind: str, row: dict[str, Cell], geometry: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "id": str(row[kind]), "geometry": geometry, "properties": {"what": kind, **row}}


def _scan_xy(frame: SurveyFrame, points: tuple[Point, ...]) -> Array:
    xyz = np.column_stack([np.array(points), np.zeros(len(points))])
    return survey_to_scan(frame, xyz)[:, :2]


# ---------------------------------------------------------------- raster


def deviation_tif(result: RoofResult) -> bytes:
    """Bands: deviation over the face's plane, mm; its standard deviation, mm; number of the face. North up, NaN outside.

    Georeferenced in the scan's coordinates where its axes are the survey's, else in survey metres.
    """
    import rasterio
    from rasterio.io import MemoryFile
    from rasterio.transform import Affine

    bands, west, north, step = plan_raster(result)
    frame = result.survey.frame
    level = bool(np.allclose(frame.axes, np.eye(3)))
    if level:
        (x, y, _), (x2, _, _) = survey_to_scan(frame, np.array([[west, north, 0.0], [west + step, north, 0.0]]))
        transform = Affine.translation(float(x), float(y)) @ Affine.scale(float(x2 - x), -float(x2 - x))
    else:
        transform = Affine.translation(west / 1000, north / 1000) @ Affine.scale(step / 1000, -step / 1000)
    crs = scan_crs(frame) if level else None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with MemoryFile() as memory:
            with memory.open(
                driver="GTiff",
                width=bands.shape[2],
                height=bands.shape[1],
                count=3,
                dtype="float32",
                nodata=math.nan,
                transform=transform,
                crs=crs.to_wkt() if crs is not None else None,
                compress="deflate",
                predictor=3,
            ) as raster:
                raster.write(bands)
                raster.descriptions = ("deviation_mm", "sd_mm", "face")
                raster.update_tags(faces=" ".join(f"{k}={s.face.id}" for k, s in enumerate(result.surfaces.surfaces, 1)))
            return bytes(memory.read())


def plan_raster(result: RoofResult) -> tuple[NDArray[np.float32], float, float, float]:
    """Bands `(3, rows, columns)` seen from above, west and north edge and cell, survey mm. Larger faces win where two meet."""
    surfaces = [s for s in result.surfaces.surfaces if np.isfinite(s.own_mm).any()]
    outlines = np.vstack([plan_points(s.face, s.face.outline) for s in surfaces])
    (west, south), (east, north) = outlines.min(axis=0), outlines.max(axis=0)
    step = max(CELL_MM, math.sqrt((east - west) * (north - south) / MOST_CELLS))
    columns, rows = math.ceil((east - west) / step), math.ceil((north - south) / step)
    x = west + step * (np.arange(columns) + 0.5)
    y = north - step * (np.arange(rows) + 0.5)
    at = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    bands = np.full((3, len(at)), np.nan, dtype=np.float32)
    for number, surface in enumerate(surfaces, 1):
        frame = surface.face.frame
        normal = frame.axes[2]
        z = frame.origin_mm[2] - ((at - frame.origin_mm[:2]) @ normal[:2]) / normal[2]
        uv = survey_to_face(frame, np.column_stack([at, z]))[:, :2]
        own, sd = _sampled(surface.own_mm, surface, uv), _sampled(surface.sd_mm, surface, uv)
        free = np.isfinite(own) & np.isnan(bands[0])
        bands[0, free], bands[1, free], bands[2, free] = own[free], sd[free], number
    return bands.reshape(3, rows, columns), float(west), float(north), float(step)


def _sampled(raster: Array, surface: Any, uv: Array) -> Array:
    column, row = (np.rint((uv - surface.raster_uv_mm) / surface.raster_step_mm).astype(int)).T
    inside = (row >= 0) & (row < raster.shape[0]) & (column >= 0) & (column < raster.shape[1])
    values = np.full(len(uv), np.nan)
    values[inside] = raster[row[inside], column[inside]]
    return values
