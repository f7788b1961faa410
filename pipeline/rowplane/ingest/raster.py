"""Height rasters (GeoTIFF): one point at the centre of every cell that holds a height."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest.opened import ROWS, Chunk, Opened, check_count, in_words, no_points
from rowplane.model import Array

CELL_BYTES = 1e-3
"""Bytes per cell that a compressed raster can hardly go below."""

ONLY = "GTiff"
"""The library would open a .tif by its content as any format it knows, and some of those name other files and addresses."""

ALONE = {"GDAL_PAM_ENABLED": "NO"}
"""Nor does a .aux.xml beside it count, whose text for the coordinate system may name any file of this machine."""

Z_UNITS = {
    "m": "m",
    "metre": "m",
    "meter": "m",
    "metres": "m",
    "meters": "m",
    "ft": "ft",
    "foot": "ft",
    "feet": "ft",
    "us survey foot": "us-ft",
    "us-ft": "us-ft",
    "mm": "mm",
    "cm": "cm",
}


def open_raster(path: Path, config: IngestConfig) -> Opened:
    """A height raster with any affine transform (cells need not be square, rows may be turned). Raises RowplaneError."""
    import rasterio

    with in_words(path, "GeoTIFF"), _quiet(), rasterio.Env(**ALONE), rasterio.open(path, driver=ONLY) as raster:
        width, height, kind = raster.width, raster.height, raster.dtypes[0]
        if raster.count >= 3 and all(d == "uint8" for d in raster.dtypes[:3]):
            raise RowplaneError(
                str(path),
                f"an image with {raster.count} colour bands",
                "a raster of heights, one band",
                "Export the surface model (DSM), not the picture.",
            )
        check_count(path, width * height, CELL_BYTES, config.max_points)
        transform, crs = raster.transform, raster.crs
        if transform.is_identity:
            raise RowplaneError(
                str(path), "a raster without cell size and place", "a GeoTIFF with its transform", "Export it as GeoTIFF."
            )
        z_scale, z_offset = float(raster.scales[0]), float(raster.offsets[0])
        unit_z = Z_UNITS.get((raster.units[0] or "").strip().lower())
    rows = max(1, ROWS // width)
    x, y = _place(transform, width / 2, height / 2)

    def chunks() -> Iterator[Chunk]:
        with in_words(path, "GeoTIFF"), _quiet(), rasterio.Env(**ALONE), rasterio.open(path, driver=ONLY) as again:
            for top in range(0, height, rows):
                deep = min(rows, height - top)
                band = again.read(1, window=rasterio.windows.Window(0, top, width, deep), masked=True)
                values = np.ma.getdata(band).astype(float)
                keep = ~np.ma.getmaskarray(band) & np.isfinite(values)
                row, col = np.nonzero(keep)
                east, north = _place(transform, col + 0.5, row + top + 0.5)
                z = values[keep] * z_scale + z_offset
                yield Chunk((east, north, z), None, (("raster cells without a height", int(keep.size - len(z))),))

    z = next((chunk.columns[2] for chunk in chunks() if len(chunk.columns[2])), None)
    if z is None:
        raise no_points(path, "a raster")
    middle = np.array([x, y, float(np.median(z))])
    cell = np.hypot(transform.a, transform.d), np.hypot(transform.b, transform.e)
    form = f"height raster, {width} × {height} cells of {cell[0]:.4g} × {cell[1]:.4g}, {kind}"
    return Opened(path, form, width * height, middle, chunks, crs=crs.to_wkt() if crs else None, unit_z=unit_z, gridded=True)


def _place(transform: Any, col: Any, row: Any) -> tuple[Array, Array]:
    return transform.a * col + transform.b * row + transform.c, transform.d * col + transform.e * row + transform.f


def _quiet() -> warnings.catch_warnings:
    """A raster without a transform is told in words, not by a warning of the library."""
    return warnings.catch_warnings(action="ignore")
