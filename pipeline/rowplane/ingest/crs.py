"""Unit and coordinate system: from the lead, the file, or the size of what the coordinates show."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.findings import finding
from rowplane.ingest.opened import Opened
from rowplane.model import Array, Finding
from rowplane.units import MM_PER_UNIT

SMALLEST_M, LARGEST_M = 3.0, 500.0
"""Extent across of what one surveys for a roof: from a dormer to a block of houses."""

TALLEST_M = 60.0
"""Height range of the same."""

LEAST_M, MOST_M = 1.5, 20_000.0
"""Extent across of any scan that can hold a roof, whatever its unit is known from."""

PLAIN_CRS = re.compile(r"\s*(?:[A-Za-z][\w.-]*(?::[\w.-]*)+(?:\+[\w.:-]+)?\s*$|[A-Za-z_]\w*\s*[\[(])")
"""A code (`EPSG:25832`, `EPSG:25832+7837`, `urn:ogc:def:crs:EPSG::25832`) or the keyword that WKT begins with."""

NAMES_A_FILE = re.compile(r"\+\s*init|proj4_grids|grids\s*=(?!\s*@null\s*(?:[\"'+]|$))|parameterfile", re.IGNORECASE)
"""Ways in which such a text makes the library open a file of this machine."""

UNEQUAL = 5e-4
"""A grid that stretches one direction this much more than the other errs by 5 mm over 10 m."""

OUTSIDE_DEG = 5.0
"""Coordinates this far outside the area a coordinate system is made for were not taken in it. Whole countries use one zone."""

LOCAL_M = 10_000.0
"""Coordinates this near to zero are local ones, unless zero lies in the area itself."""


@dataclass(frozen=True)
class Scale:
    """Millimetres per coordinate unit, across and in height; `unit_source` says in words how that is known."""

    unit: str
    unit_mm: float
    unit_z_mm: float
    unit_source: str
    grid_scale: float = 1.0
    epsg: int | None = None
    crs_wkt: str | None = None
    findings: tuple[Finding, ...] = ()


def agreed_crs(files: tuple[Opened, ...], config: IngestConfig) -> Any:
    """The pyproj CRS of the lead, or None. Refuses degrees, Web Mercator, and files that do not agree."""
    if config.crs is not None:
        return _checked("ingest.crs", _parse("ingest.crs", config.crs))
    known = [(f.path, _parse(str(f.path), f.crs)) for f in files if f.crs]
    if not known:
        return None
    path, crs = known[0]
    for other, theirs in known[1:]:
        if not crs.equals(theirs, ignore_axis_order=True) and _name(crs) != _name(theirs):
            raise RowplaneError(
                str(other),
                f"the coordinate system {theirs.name}, while {path.name} has {crs.name}",
                "one coordinate system for all files of a lead",
                "Transform the files into one system.",
            )
    return _checked(str(path), crs)


def _name(crs: Any) -> tuple[str, tuple[str, ...]]:
    # One national grid comes with and without EPSG code or vertical part: the horizontal name and unit decide.
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    return flat.name.lower(), tuple(a.unit_name for a in flat.axis_info)


def names_a_file(text: str) -> bool:
    """Whether a coordinate system's text could make the library open a file of this machine."""
    return not PLAIN_CRS.match(text) or NAMES_A_FILE.search(text) is not None


def _parse(subject: str, text: str) -> Any:
    import pyproj

    try:
        if names_a_file(text):
            raise pyproj.exceptions.CRSError("a text that may name a file")
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as error:
        raise RowplaneError(
            subject, f"a coordinate system that cannot be read ({text[:60]})", "EPSG:code or WKT", "Set ingest.crs."
        ) from error


def _checked(subject: str, crs: Any) -> Any:
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if crs.is_geocentric or flat.is_geographic:
        what = "coordinates from the earth's centre" if crs.is_geocentric else "degrees of longitude and latitude"
        raise RowplaneError(
            subject,
            f"the coordinate system {crs.name}: {what}",
            "a projected system in metres or feet",
            "Transform the scan into your national grid or UTM zone.",
        )
    method = flat.coordinate_operation.method_name if flat.coordinate_operation else ""
    if "pseudo" in method.lower() or "Pseudo-Mercator" in flat.name or "Auxiliary_Sphere" in flat.name:
        raise RowplaneError(
            subject,
            f"the coordinate system {crs.name} (Web Mercator), which stretches distances by up to a half and more",
            "a projected system true to scale",
            "Transform the scan into your national grid or UTM zone.",
        )
    return crs


def told_unit_mm(files: tuple[Opened, ...], crs: Any, config: IngestConfig) -> float | None:
    """Millimetres per unit across, where lead or file tell."""
    if config.unit != "auto":
        return MM_PER_UNIT[config.unit]
    if crs is not None and crs.axis_info:
        return _crs_units(crs)[0]
    return next((MM_PER_UNIT[f.unit] for f in files if f.unit), None)


def scale_of(
    files: tuple[Opened, ...], crs: Any, config: IngestConfig, centre: Array, extent: Array, extents: tuple[Array, ...]
) -> Scale:
    """Unit, grid scale and how they are known. `centre` `(3,)` in file units with Z up, `extent` `(3,)` of what is shown.

    `extents` are those of the single files. The lead's unit wins over the file's, the file's over a guess.
    """
    declared = {f.unit for f in files if f.unit}
    if config.unit == "auto" and crs is None and len(declared) > 1:
        raise RowplaneError(
            ", ".join(f.path.name for f in files),
            f"the units {' and '.join(sorted(declared))}",
            "one unit for all files of a lead",
            "Export the files in one unit.",
        )
    _check_same_size(files, extents)
    findings: tuple[Finding, ...] = ()
    unit: str
    if config.unit != "auto":
        unit_mm = unit_z_mm = MM_PER_UNIT[config.unit]
        unit, source = config.unit, "ingest.unit of the lead"
    elif crs is not None and crs.axis_info:
        unit_mm, unit_z_mm, source = _crs_units(crs)
        unit = _unit_name(unit_mm)
        z_told = next((f.unit_z for f in files if f.unit_z), None)
        if z_told and MM_PER_UNIT[z_told] != unit_z_mm:
            unit_z_mm, source = MM_PER_UNIT[z_told], f"{source}; heights in {z_told} by the file's band unit"
    elif declared:
        told = next(f for f in files if f.unit)
        unit = str(told.unit)
        unit_mm, unit_z_mm, source = MM_PER_UNIT[unit], MM_PER_UNIT[told.unit_z or unit], told.unit_source
    else:
        unit, text = guess_unit(files[0].path, extent)
        unit_mm = unit_z_mm = MM_PER_UNIT[unit]
        source = f"guessed: {text}"
        findings += (finding("unit-guessed", "survey", f"The unit was taken to be {unit}: {text}.", float(extent[:2].max())),)
    _check_size(files[0].path, extent * np.array([unit_mm, unit_mm, unit_z_mm]) / 1000)
    grid, more = (1.0, ()) if crs is None else _grid_scale(crs, centre, unit_mm)
    return Scale(
        unit,
        unit_mm,
        unit_z_mm,
        source,
        grid,
        None if crs is None else crs.to_epsg(),
        None if crs is None else crs.to_wkt(),
        findings + more,
    )


def _crs_units(crs: Any) -> tuple[float, float, str]:
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    unit_mm = float(flat.axis_info[0].unit_conversion_factor) * 1000
    upright = None
    if crs.is_compound and len(crs.sub_crs_list) > 1:
        upright = crs.sub_crs_list[1].axis_info[0]
    elif len(flat.axis_info) > 2:
        upright = flat.axis_info[2]
    if upright is None:
        return unit_mm, unit_mm, f"{crs.name} ({flat.axis_info[0].unit_name}); heights taken in the same unit"
    unit_z_mm = float(upright.unit_conversion_factor) * 1000
    return unit_mm, unit_z_mm, f"{crs.name} ({flat.axis_info[0].unit_name}, heights {upright.unit_name})"


def _unit_name(unit_mm: float) -> str:
    for name, size in MM_PER_UNIT.items():
        if abs(unit_mm / size - 1) < 1e-9:
            return name
    return f"{unit_mm:g} mm"


def _grid_scale(crs: Any, centre: Array, unit_mm: float) -> tuple[float, tuple[Finding, ...]]:
    """Grid length over ground length at `centre`, and a finding where the coordinates are not of this system."""
    import pyproj

    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if not flat.is_projected:
        return 1.0, ()
    # In the lead's own unit the coordinates differ from the system's by the ratio of the two.
    ratio = unit_mm / (float(flat.axis_info[0].unit_conversion_factor) * 1000)
    east, north = float(centre[0] * ratio), float(centre[1] * ratio)
    try:
        place = pyproj.Transformer.from_crs(flat, flat.geodetic_crs, always_xy=True)
    except pyproj.exceptions.ProjError as error:
        raise RowplaneError(
            "coordinate system", f"{flat.name}, which leads to no place on earth", "EPSG:code or WKT", "Set ingest.crs."
        ) from error
    lon, lat = place.transform(east, north)
    area = flat.area_of_use
    outside = not (np.isfinite(lon) and np.isfinite(lat))
    if not outside and area is not None:
        # Areas may span the date line: then west is greater than east.
        lon_off = 0.0 if area.west > area.east else max(area.west - lon, lon - area.east, 0.0)
        local = np.hypot(centre[0], centre[1]) * unit_mm / 1000 < LOCAL_M
        outside = max(lon_off, area.south - lat, lat - area.north) > (0.0 if local else OUTSIDE_DEG)
    if outside:
        text = (
            f"The coordinates (about {east:.0f}, {north:.0f}) lie far outside the area of {crs.name}; distances were taken "
            "as they are, without its scale factor."
        )
        return 1.0, (finding("crs-misfit", "survey", text),)
    factors = pyproj.Proj(flat).get_factors(lon, lat)
    across, along = float(factors.parallel_scale), float(factors.meridional_scale)
    if not (np.isfinite(across) and np.isfinite(along)) or abs(across / along - 1) > UNEQUAL:
        raise RowplaneError(
            str(crs.name),
            f"a grid that stretches east-west by {across:.5f} and north-south by {along:.5f}",
            f"a grid whose two scales agree within {UNEQUAL:g}",
            "Transform the scan into your national grid or UTM zone.",
        )
    return float(np.sqrt(across * along)), ()


def check_degrees(subject: str, origin: Array, points: NDArray[Any]) -> None:
    """Refuses points `(n, 3)`, local to `origin`, that span next to nothing across, and metres in height."""
    if len(points) < 4:
        return
    span = np.ptp(np.percentile(points[:: max(1, len(points) // 100_000)], [1, 99], axis=0), axis=0)
    if abs(origin[0]) <= 180 and abs(origin[1]) <= 90 and span[:2].max() < 0.1 and span[2] > 20 * span[:2].max():
        raise RowplaneError(
            subject,
            f"coordinates that span {span[:2].max():.2g} across and {span[2]:.3g} in height: degrees of longitude and latitude",
            "a projected system in metres or feet",
            "Transform the scan into your national grid or UTM zone.",
        )


def guess_unit(path: Path, extent: Array) -> tuple[str, str]:
    """The unit in which what is shown is as large as a surveyed roof, and the reason in words.

    Metres are taken first, then millimetres, feet, inches and centimetres. Refuses sizes that fit no unit.
    """
    across, tall = float(extent[:2].max()), float(extent[2])
    for unit in ("m", "mm", "ft", "in", "cm"):
        metres = MM_PER_UNIT[unit] / 1000
        if SMALLEST_M <= across * metres <= LARGEST_M and tall * metres <= TALLEST_M:
            size = f"{across * metres:.3g} m across and {tall * metres:.2g} m high"
            return unit, f"so read, the scan is {size}"
    raise RowplaneError(
        str(path),
        f"a scan {across:.3g} units across and {tall:.3g} high, which is no roof in m, mm, ft, in or cm",
        f"{SMALLEST_M:g} to {LARGEST_M:g} m across",
        "Set ingest.unit, or cut the scan to the roof.",
    )


def _check_size(path: Path, extent_m: Array) -> None:
    if not LEAST_M <= extent_m[:2].max() <= MOST_M:
        raise RowplaneError(
            str(path),
            f"a scan {extent_m[0]:.3g} × {extent_m[1]:.3g} m across, which is no roof",
            f"{LEAST_M:g} m to {MOST_M:,.0f} m across",
            "Check that this is the right file, and its unit (ingest.unit).",
        )


def _check_same_size(files: tuple[Opened, ...], extents: tuple[Array, ...]) -> None:
    """Two files that show the same size in two units are refused: feet beside metres, metres beside millimetres."""
    ratios = {MM_PER_UNIT[a] / MM_PER_UNIT[b] for a in MM_PER_UNIT for b in MM_PER_UNIT}
    for i, mine in enumerate(extents):
        for j in range(i):
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = mine / extents[j]
            if not np.isfinite(ratio).all() or (np.abs(ratio - 1) < 0.2).any():
                continue
            spread = float(ratio.max() / ratio.min())
            near = min(ratios, key=lambda r: abs(float(np.mean(ratio)) / r - 1))
            if spread < 1.05 and abs(float(np.mean(ratio)) / near - 1) < 0.03:
                raise RowplaneError(
                    f"{files[j].path.name}, {files[i].path.name}",
                    f"the same size in two units (ratio {float(np.mean(ratio)):.4g})",
                    "one unit for all files of a lead",
                    "Export the files in one unit.",
                )
