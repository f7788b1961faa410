"""Reading a lead's scan: files in, one Survey out."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.findings import finding
from rowplane.frames import scan_to_survey
from rowplane.ingest import wide
from rowplane.ingest.cleaning import box_of, check_shape, far_from_everything
from rowplane.ingest.crs import agreed_crs, check_degrees, scale_of, told_unit_mm
from rowplane.ingest.e57 import open_e57
from rowplane.ingest.files import check_file, sha256
from rowplane.ingest.fill import Filled, check_step, fill
from rowplane.ingest.footprint import footprint_of, misses
from rowplane.ingest.las import open_las
from rowplane.ingest.level import is_level, read_level
from rowplane.ingest.mesh import open_mesh
from rowplane.ingest.open3d_io import open_pcd
from rowplane.ingest.opened import Opened
from rowplane.ingest.ply import open_ply
from rowplane.ingest.raster import open_raster
from rowplane.ingest.text import open_text
from rowplane.model import Array, Finding, SourceFile, Survey, SurveyFrame

READERS: dict[str, Callable[[Path, IngestConfig], Opened]] = {
    ".las": open_las,
    ".laz": open_las,
    ".ply": open_ply,
    ".pcd": open_pcd,
    ".xyz": open_text,
    ".pts": open_text,
    ".txt": open_text,
    ".asc": open_text,
    ".csv": open_text,
    ".e57": open_e57,
    ".obj": open_mesh,
    ".stl": open_mesh,
    ".glb": open_mesh,
    ".tif": open_raster,
    ".tiff": open_raster,
}
"""Reader by suffix. A .csv whose header names level readings goes to read_level instead."""

COARSE_MM = 2.0
"""A float32 step above this is lost for good, and no fit brings it back: half of it is as much as a hook scatters."""

MARGIN_M = 15.0
"""Kept round a footprint: walls, ground and neighbours tell eave from step."""

APART = 10.0
"""Gap between two files of a lead, as a multiple of the larger, at which they cannot be one roof."""

AROUND_M = 100.0
"""Kept round a point that names the building."""

Y_UP = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])


def read_survey(scan: tuple[Path, ...], config: IngestConfig) -> Survey:
    """Everything the files of one lead hold, in the survey frame.

    Raises RowplaneError where a file cannot be read, is no survey, or does not fit the others; nothing is written.
    """
    if not scan:
        raise RowplaneError("scan", "no file", "one scan file or more", "Name the scan in lead.toml.")
    for path in scan:
        check_file(path, tuple(READERS))
    stamps = [_stamp(path) for path in scan]
    level = [path for path in scan if path.suffix.lower() in (".csv", ".txt") and is_level(path)]
    if level and len(scan) > 1:
        raise RowplaneError(
            level[0].name,
            f"a level survey beside {len(scan) - 1} more",
            "one level survey alone, or clouds",
            "Give it by itself.",
        )
    with ThreadPoolExecutor(max_workers=1) as pool:
        digests = [pool.submit(sha256, path) for path in scan]
        if level:
            survey = _level_survey(level[0], config, digests[0].result())
        else:
            files = tuple(READERS[path.suffix.lower()](path, config) for path in scan)
            survey = _cloud_survey(files, config)
    found = [digest.result() for digest in digests]
    for path, stamp in zip(scan, stamps, strict=True):
        if _stamp(path) != stamp:
            raise RowplaneError(
                str(path), "a file that changed while it was read", "a file that stays as it is", "Run again when its copy is done."
            )
    for i, path in enumerate(scan):
        if found[i] in found[:i]:
            twin = scan[found.index(found[i])].name
            raise RowplaneError(str(path), f"the same file twice (it equals {twin})", "each file once", "Name it once.")
    sources = tuple(replace(source, sha256=digest) for source, digest in zip(survey.sources, found, strict=True))
    return replace(survey, sources=sources)


def _stamp(path: Path) -> tuple[int, int, int]:
    try:
        stat = path.stat()
    except OSError:
        return 0, 0, 0
    return stat.st_ino, stat.st_size, stat.st_mtime_ns


def _level_survey(path: Path, config: IngestConfig, digest: str) -> Survey:
    sheet = read_level(path, config)
    source = SourceFile(path.name, path.stat().st_size, digest, len(sheet.points_mm), "level survey")
    return Survey(
        path.stem,
        "level",
        sheet.points_mm,
        None,
        sheet.frame,
        (source,),
        sheet.dropped,
        sheet.readings,
        sheet.footprint_mm,
        findings=sheet.findings + _told(path.name, sheet.dropped),
    )


def _cloud_survey(files: tuple[Opened, ...], config: IngestConfig) -> Survey:
    name = files[0].path.name if len(files) == 1 else f"{files[0].path.name} and {len(files) - 1} more"
    crs = agreed_crs(files, config)
    # In a file with Y up the plan is x and z, as they stand there.
    plan = (0, 2) if files[0].up == "y" else (0, 1)
    polygon = None
    if config.footprint is not None:
        polygon = footprint_of(config.footprint, files[0].path.parent, crs, files[0].middle[list(plan)])
    filled = fill(files, plan, _window(config, polygon, told_unit_mm(files, crs, config)))
    if not len(filled.points) and polygon is not None and np.isfinite(filled.low).all():
        raise misses(polygon, filled.low[list(plan)], filled.high[list(plan)])
    if crs is None and told_unit_mm(files, crs, config) is None:
        check_degrees(name, filled.origin, filled.points)
    _check_together(files, filled)
    points, classes, starts = _without_outliers(name, filled)
    parts = [points[a:b] for a, b in zip(starts, (*starts[1:], len(points)), strict=True)]
    frame, found = _frame(files, config, crs, filled.origin, points, parts)
    size_mm = np.abs(scan_to_survey(frame, frame.origin + np.eye(3))).max(axis=0) @ np.abs(frame.axes)
    check_step(name, filled.float32_step * size_mm, COARSE_MM)
    _to_local_mm(points, filled.origin, frame)
    dropped = tuple((reason, count) for reason, count in sorted(filled.dropped.items()) if count)
    sources = tuple(
        SourceFile(f.path.name, f.path.stat().st_size, "", len(part), f.format) for f, part in zip(files, parts, strict=True)
    )
    footprint = None
    if polygon is not None:
        footprint = Polygon(_plan_mm(frame, plan, np.asarray(polygon.exterior.coords)[:, :2]))
    at = None
    if config.at is not None:
        east, north = _plan_mm(frame, plan, np.array([config.at], float))[0]
        at = (float(east), float(north))
    findings = tuple(f for file in files for f in file.findings) + found + _told(name, dropped)
    return Survey(
        files[0].path.stem,
        "cloud",
        points,
        classes,
        frame,
        sources,
        dropped,
        None,
        footprint,
        at,
        float((filled.step * size_mm).max()),
        findings,
    )


def _frame(
    files: tuple[Opened, ...],
    config: IngestConfig,
    crs: Any,
    origin: Array,
    points: NDArray[np.float32],
    parts: list[NDArray[np.float32]],
) -> tuple[SurveyFrame, tuple[Finding, ...]]:
    """The survey frame of points local to `origin`, in file units, and what had to be guessed for it."""
    axes = Y_UP if files[0].up == "y" else np.eye(3)
    low, high = box_of(points)
    centre = origin + (low + high) / 2
    extents = tuple(np.abs(axes @ np.subtract(*box_of(part))) for part in parts if len(part))
    scale = scale_of(files, crs, config, axes @ centre, np.abs(axes @ (high - low)), extents)
    frame = SurveyFrame(
        np.round(centre),
        axes,
        scale.unit,
        scale.unit_mm,
        scale.unit_z_mm,
        scale.grid_scale,
        scale.epsg,
        scale.crs_wkt,
        scale.unit_source,
    )
    return frame, scale.findings


def _check_together(files: tuple[Opened, ...], filled: Filled) -> None:
    """Refuses files that lie further apart than one roof can explain: another unit, another system, another roof."""
    parts = [filled.points[a:b] for a, b in zip(filled.starts, (*filled.starts[1:], len(filled.points)), strict=True)]
    boxes = [(file.path.name, *box_of(part)) for file, part in zip(files, parts, strict=True) if len(part)]
    for i, (name, low, high) in enumerate(boxes):
        for other, other_low, other_high in boxes[:i]:
            gap = float(np.max(np.maximum(low - other_high, other_low - high)))
            size = float(max(np.ptp([low, high], axis=0).max(), np.ptp([other_low, other_high], axis=0).max()))
            if gap > APART * size:
                raise RowplaneError(
                    f"{other}, {name}",
                    f"files that lie {gap:,.0f} units apart, each no larger than {size:,.0f}",
                    "files of one roof, in one unit and one system",
                    "Check unit and system of each; run other roofs as leads of their own.",
                )


def _window(config: IngestConfig, polygon: Polygon | None, unit_mm: float | None) -> tuple[Array, Array] | None:
    """What is kept round a footprint or point, `(2,)` and `(2,)` in file units, so that memory follows the roof."""
    if polygon is not None:
        box = np.array(polygon.bounds).reshape(2, 2)
        margin = MARGIN_M * 1000 / unit_mm if unit_mm else float(np.ptp(box, axis=0).max())
        return box[0] - margin, box[1] + margin
    if config.at is not None and unit_mm:
        around = AROUND_M * 1000 / unit_mm
        return np.array(config.at) - around, np.array(config.at) + around
    return None


def _without_outliers(name: str, filled: Filled) -> tuple[NDArray[np.float32], NDArray[np.uint8] | None, tuple[int, ...]]:
    gone = far_from_everything(filled.points)
    if gone is None:
        check_shape(name, filled.points)
        return filled.points, filled.classes, filled.starts
    filled.dropped["far from everything else"] += int(gone.sum())
    starts = tuple(int(s - gone[:s].sum()) for s in filled.starts)
    points = filled.points[~gone]
    check_shape(name, points)
    return points, None if filled.classes is None else filled.classes[~gone], starts


def _to_local_mm(points: NDArray[np.float32], origin: Array, frame: SurveyFrame) -> None:
    """File units local to `origin` → survey millimetres, in place: a second array would double the memory."""
    wide.shift(points, origin - frame.origin)
    if frame.axes[2, 2] != 1.0:
        points[:] = points @ frame.axes.T.astype(np.float32)
    across = frame.unit_mm / frame.grid_scale
    wide.scale(points, np.array([across, across, frame.unit_z_mm]))


def _plan_mm(frame: SurveyFrame, plan: tuple[int, int], across: Array) -> Array:
    """Plan points `(n, 2)` in the scan's coordinates → survey frame `(n, 2)`, mm."""
    xyz = np.tile(frame.origin, (len(across), 1))
    xyz[:, list(plan)] = across
    return scan_to_survey(frame, xyz)[:, :2]


def _told(name: str, dropped: tuple[tuple[str, int], ...]) -> tuple[Finding, ...]:
    return tuple(
        finding("points-dropped", name, f"{count:,} left out: {reason}.", float(count), None, "points")
        for reason, count in dropped
    )
