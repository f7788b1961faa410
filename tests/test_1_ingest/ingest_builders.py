"""One small invented roof, written in every format the readers know."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import laspy
import numpy as np
import pyproj
import trimesh
from numpy.typing import NDArray

from rowplane.config import IngestConfig
from rowplane.frames import survey_to_scan
from rowplane.ingest import read_survey
from rowplane.model import Survey

Array = NDArray[np.float64]
METRES = IngestConfig(unit="m")


def roof_points(count: int = 3000, seed: int = 1) -> Array:
    """One slope of 12 × 6 m, eave 3 m up, rising 0.5 per metre to the north, whole millimetres; metres `(n, 3)`."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 12, count), rng.uniform(0, 6, count)
    return np.round(np.column_stack([x, y, 3 + 0.5 * y + rng.normal(0, 0.004, count)]), 3)


def moved(x: float, y: float, z: float = 0.0) -> Array:
    """The same roof elsewhere."""
    return roof_points() + np.array([x, y, z])


def write_las(
    path: Path,
    points: Array,
    *,
    point_format: int = 7,
    crs: int | str | None = None,
    classes: Array | None = None,
    withheld: Array | None = None,
) -> Path:
    """LAS or LAZ by suffix, millimetre steps."""
    header = laspy.LasHeader(point_format=point_format, version="1.4" if point_format > 5 else "1.2")
    header.scales, header.offsets = [0.001] * 3, np.floor(points.mean(axis=0)) if len(points) else [0, 0, 0]
    if crs is not None:
        header.add_crs(pyproj.CRS(crs))
    las = laspy.LasData(header)
    las.x, las.y, las.z = points.T
    if classes is not None:
        las.classification = classes
    if withheld is not None:
        las.withheld = withheld
    las.write(str(path))
    return path


def write_ply(path: Path, points: Array, *, kind: str = "double", encoding: str = "binary_little_endian") -> Path:
    """PLY cloud."""
    head = f"ply\nformat {encoding} 1.0\ncomment invented\nelement vertex {len(points)}\n"
    head += "".join(f"property {kind} {axis}\n" for axis in "xyz") + "property uchar classification\nend_header\n"
    order = ">" if "big" in encoding else "<"
    if encoding == "ascii":
        path.write_text(head + "".join("{:.3f} {:.3f} {:.3f} 6\n".format(*p) for p in points))
        return path
    record = np.zeros(len(points), [(axis, order + {"double": "f8", "float": "f4"}[kind]) for axis in "xyz"] + [("c", "u1")])
    for axis, column in zip("xyz", points.T, strict=True):
        record[axis] = column
    record["c"] = 6
    path.write_bytes(head.encode() + record.tobytes())
    return path


def write_pcd(path: Path, points: Array, *, size: int = 8, ascii_text: bool = False) -> Path:
    """PCD of float32 or float64, binary or ASCII."""
    head = f"# .PCD v0.7\nVERSION 0.7\nFIELDS x y z\nSIZE {size} {size} {size}\nTYPE F F F\nCOUNT 1 1 1\nWIDTH {len(points)}\n"
    head += f"HEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {len(points)}\nDATA {'ascii' if ascii_text else 'binary'}\n"
    body = "".join("{:.3f} {:.3f} {:.3f}\n".format(*p) for p in points).encode()
    path.write_bytes(head.encode() + (body if ascii_text else points.astype(f"f{size}").tobytes()))
    return path


def write_packed_pcd(path: Path, points: Array) -> Path:
    """PCD binary_compressed, float64: fields one after the other, packed as LZF literals of up to 32 bytes."""
    plain = points.T.astype("f8").tobytes()
    packed = b"".join(bytes([len(part) - 1]) + part for part in (plain[i : i + 32] for i in range(0, len(plain), 32)))
    head = write_pcd(path, points).read_bytes().split(b"DATA")[0] + b"DATA binary_compressed\n"
    path.write_bytes(head + len(packed).to_bytes(4, "little") + len(plain).to_bytes(4, "little") + packed)
    return path


def write_text(path: Path, points: Array, *, head: str = "", mark: str = " ", decimals: str = ".") -> Path:
    """Rows of x y z."""
    rows = "".join(mark.join(f"{v:.3f}" for v in p).replace(".", decimals) + "\n" for p in points)
    path.write_text(head + rows)
    return path


def write_e57(path: Path, points: Array) -> Path:
    """Two scans, the second turned and moved by its pose."""
    import pye57

    file = pye57.E57(str(path), mode="w")
    half = len(points) // 2
    turn, move = np.array([np.cos(0.5), 0.0, 0.0, np.sin(0.5)]), np.array([5.0, -3.0, 1.0])
    spin = np.array([[np.cos(1), -np.sin(1), 0], [np.sin(1), np.cos(1), 0], [0, 0, 1]])
    first, second = points[:half], (points[half:] - move) @ spin
    for part, pose in ((first, None), (second, (turn, move))):
        data = {f"cartesian{axis}": np.ascontiguousarray(column) for axis, column in zip("XYZ", part.T, strict=True)}
        if pose is None:
            file.write_scan_raw(data)
        else:
            file.write_scan_raw(data, rotation=pose[0], translation=pose[1])
    file.close()
    return path


def roof_mesh(*, y_up: bool = False) -> trimesh.Trimesh:
    """The slope as a mesh of 24 triangles that are long and short, so that even sampling shows."""
    x = np.array([0.0, 1.0, 2.0, 4.0, 12.0])
    y = np.array([0.0, 1.0, 2.0, 6.0])
    corners = np.array([[a, b, 3 + 0.5 * b] for b in y for a in x])
    faces = [
        f
        for j in range(3)
        for i in range(4)
        for f in ([5 * j + i, 5 * j + i + 1, 5 * j + i + 6], [5 * j + i, 5 * j + i + 6, 5 * j + i + 5])
    ]
    if y_up:
        corners = corners[:, [0, 2, 1]] * [1, 1, -1]
    return trimesh.Trimesh(corners, faces, process=False)


def write_mesh(path: Path, points: Array) -> Path:
    """The slope as a mesh; GLB has Y up, as its standard says. `points` are not used: a mesh has its own."""
    roof_mesh(y_up=path.suffix == ".glb").export(path)
    return path


def write_raster(
    path: Path,
    points: Array,
    *,
    cell: tuple[float, float] = (0.1, 0.2),
    crs: int | None = None,
    corner: tuple[float, float] = (0.0, 6.0),
) -> Path:
    """Heights of the slope on cells that are not square; the first row has no data. `points` are not used."""
    import rasterio

    nx, ny = round(12 / cell[0]), round(6 / cell[1])
    y = 6 - (np.arange(ny) + 0.5) * cell[1]
    heights = np.repeat((3 + 0.5 * y)[:, None], nx, axis=1).astype(np.float32)
    heights[0] = -9999
    where = rasterio.Affine(cell[0], 0, corner[0], 0, -cell[1], corner[1])
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=nx,
        height=ny,
        count=1,
        dtype="float32",
        nodata=-9999,
        transform=where,
        crs=None if crs is None else f"EPSG:{crs}",
    ) as raster:
        raster.write(heights, 1)
    return path


WRITERS: dict[str, Callable[[Path, Array], Path]] = {
    "las": write_las,
    "laz": write_las,
    "ply": write_ply,
    "pcd": write_pcd,
    "xyz": write_text,
    "pts": lambda path, points: write_text(path, points, head=f"{len(points)}\n"),
    "csv": lambda path, points: write_text(path, points, head="x,y,z\n", mark=","),
    "e57": write_e57,
}
"""A cloud writer per format."""

SURFACES: dict[str, Callable[[Path, Array], Path]] = {
    "obj": write_mesh,
    "stl": write_mesh,
    "glb": write_mesh,
    "tif": write_raster,
}
"""Formats that hold the surface, not points."""


def in_metres(survey: Survey) -> Array:
    """The survey's points back in the scan's own coordinates."""
    return survey_to_scan(survey.frame, survey.points_mm)


def read(path: Path, config: IngestConfig = METRES) -> Survey:
    """One file."""
    return read_survey((path,), config)
