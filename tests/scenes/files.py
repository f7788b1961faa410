"""Scan files of a scene: LAS and LAZ with a CRS, binary PLY, plain XYZ. Each writer returns how the file relates to truth."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from scenes.scene import Scene
from scenes.truth import UNIT_M, Georef

Array = NDArray[np.float64]
FILE_DATE = date(2025, 9, 16)  # fixed, so that the same scene gives the same bytes
BUILDING, GROUND_CLASS, UNCLASSIFIED = 6, 2, 1


def grid_georef(scene: Scene, epsg: int) -> Georef:
    """Georef into a projected CRS: its unit, and its point scale factor at the house (grid distance = k x ground distance)."""
    import pyproj

    crs = pyproj.CRS.from_epsg(epsg)
    factor = crs.axis_info[0].unit_conversion_factor
    unit = min(UNIT_M, key=lambda name: abs(UNIT_M[name] - factor))
    centre = np.array(scene.outline.centroid.coords[0])
    to_degrees = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = to_degrees.transform(*(centre / factor))
    k = pyproj.Proj(crs).get_factors(lon, lat).meridional_scale
    return Georef(unit, epsg, float(k), (float(centre[0]), float(centre[1])))


def local_georef(scene: Scene, unit: str = "m") -> Georef:
    """Georef of a file in local coordinates: shifted by whole metres so that the house lies near the origin."""
    x, y = np.floor(np.array(scene.outline.centroid.coords[0]))
    return Georef(unit, shift_m=(float(x), float(y), float(np.floor(scene.origin_m[2]))))


def plain_georef(unit: str = "m") -> Georef:
    """Georef of a file that keeps the scene's coordinates, in a unit."""
    return Georef(unit)


def tidy_order(xyz: Array, cell: float = 0.5) -> NDArray[np.int64]:
    """An order that keeps neighbours together, strip by strip: packs better, as a real flight does."""
    cells = np.floor((xyz[:, :2] - xyz[:, :2].min(0)) / cell).astype(np.int64)
    along = np.where(cells[:, 0] % 2 == 0, cells[:, 1], -cells[:, 1])
    return np.lexsort((along, cells[:, 0]))


def write_las(
    scene: Scene,
    path: Path,
    *,
    epsg: int | None = None,
    georef: Georef | None = None,
    point_format: int = 7,
    scale: float = 0.001,
    tidy: bool = False,
    classes: bool = False,
    crs_in_file: bool = True,
) -> Georef:
    """LAS or LAZ by suffix, block by block. With epsg the scene's metres are taken as ground distances round its middle.

    classes: give roofs class 6 and ground class 2. tidy: sort the whole scan first (needs it in memory).
    """
    import laspy
    import pyproj

    georef = georef or (grid_georef(scene, epsg) if epsg else plain_georef())
    header = laspy.LasHeader(point_format=point_format, version="1.4" if point_format >= 6 else "1.2")
    header.offsets = np.floor(georef.to_file(np.array([*scene.outline.bounds[:2], scene.origin_m[2]])))
    header.scales = np.full(3, scale)
    header.creation_date = FILE_DATE
    header.generating_software = "invented scene"
    if georef.epsg and crs_in_file:
        header.add_crs(pyproj.CRS.from_epsg(georef.epsg))
    with laspy.open(str(path), mode="w", header=header) as out:
        for points, label in [scene.cloud] if tidy else scene.blocks():
            xyz = georef.to_file(points)
            order = tidy_order(xyz, 0.5 / UNIT_M[georef.unit]) if tidy else slice(None)
            record = laspy.ScaleAwarePointRecord.zeros(len(xyz), header=header)
            record.x, record.y, record.z = xyz[order].T
            record["return_number"] = record["number_of_returns"] = np.ones(len(xyz), np.uint8)
            if classes:
                kind = np.where(label >= 0, BUILDING, np.where(label == -1, GROUND_CLASS, UNCLASSIFIED))
                record["classification"] = kind[order]
            out.write_points(record)
    return georef


def write_ply(scene: Scene, path: Path, *, georef: Georef | None = None, dtype: str = "f4", tidy: bool = False) -> Georef:
    """Binary little-endian PLY; float32 ('f4') in local coordinates unless a georef says otherwise."""
    georef = georef or (local_georef(scene) if dtype == "f4" else plain_georef())
    xyz = georef.to_file(scene.points)
    xyz = xyz[tidy_order(xyz)] if tidy else xyz
    kind = {"f4": "float", "f8": "double"}[dtype]
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        "comment invented scene",
        f"element vertex {len(xyz)}",
        *(f"property {kind} {axis}" for axis in "xyz"),
        "end_header",
        "",
    ]
    with path.open("wb") as out:
        out.write("\n".join(lines).encode("ascii"))
        out.write(np.ascontiguousarray(xyz, dtype=f"<{dtype}").tobytes())
    return georef


def write_xyz(scene: Scene, path: Path, *, georef: Georef | None = None, delimiter: str = " ", header: str = "") -> Georef:
    """Text with one point a line, 0.1 mm in metres."""
    georef = georef or plain_georef()
    with path.open("w", encoding="utf-8", newline="\n") as out:
        if header:
            out.write(header + "\n")
        np.savetxt(out, georef.to_file(scene.points), fmt="%.4f", delimiter=delimiter)
    return georef
