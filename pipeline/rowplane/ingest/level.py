"""Level surveys: readings on one face, as u, v and a staff or height, or as x, y, z."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from shapely.affinity import affine_transform
from shapely.geometry import Polygon

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.findings import finding
from rowplane.frames import azimuth_deg, face_frame
from rowplane.geometry import fit_plane
from rowplane.ingest.footprint import footprint_of
from rowplane.ingest.opened import FARTHEST, in_words
from rowplane.ingest.text import column, look, number, open_lines
from rowplane.model import Array, Finding, Readings, SurveyFrame
from rowplane.units import MM_PER_UNIT

UNITS = ("m", "mm", "ft", "in")
ALLOWED = "u_…, v_… and staff_… or height_…, or x_…, y_… and z_… (suffix m, mm, ft or in)"
ON = ("crown", "pan", "board", "")
MOST = 2000
"""More rows than this with x, y, z columns are a cloud, not readings somebody took one by one."""

FEWEST = 4


@dataclass(frozen=True)
class Sheet:
    """One level survey: points `(n, 3)` in survey mm (origin at the datum), readings, frame, what was left out."""

    points_mm: Array
    readings: Readings
    frame: SurveyFrame
    footprint_mm: Polygon | None
    dropped: tuple[tuple[str, int], ...]
    findings: tuple[Finding, ...]


def is_level(path: Path) -> bool:
    """Does the header name the columns of a level survey? False too where the file has none."""
    head = look(path)
    named = dict(map(column, head.names))
    if {"u", "v"} & set(named) and ({"staff", "height"} & set(named) or {"u", "v"} <= set(named)):
        return True
    given = all(named.get(axis) in UNITS for axis in "xyz")
    return given and path.stat().st_size < MOST * 200 and len(path.read_bytes().splitlines()) <= MOST


def read_level(path: Path, config: IngestConfig) -> Sheet:
    """A level survey sheet. Raises RowplaneError, naming the row where one is at fault."""
    columns, names, dropped = _table(path)
    if "u" in columns:
        return _from_uv(path, columns, names, dropped, config)
    return _from_xyz(path, columns, names, dropped, config)


Columns = dict[str, tuple[Array, str]]


def _table(path: Path) -> tuple[Columns, dict[str, tuple[str, ...]], int]:
    """Numbers by column in mm with the unit they were given in, words by column, and rows without a reading."""
    head = look(path)
    named = [column(name) for name in head.names]
    bases = [base for base, _ in named]
    level = "staff" if "staff" in bases else "height"
    wanted = ("u", "v", level) if "u" in bases or "v" in bases else ("x", "y", "z")
    for base in wanted:
        unit = dict(named).get(base)
        if bases.count(base) != 1 or unit not in UNITS:
            raise RowplaneError(
                str(path), f"the columns {', '.join(head.names)}", ALLOWED, f"Give one column {base}_mm or the like."
            )
    at = {base: bases.index(base) for base in wanted}
    rows: list[list[float]] = []
    words: dict[str, list[str]] = {"point": [], "course": [], "on": []}
    empty = 0
    with open_lines(path, newline="") as stream, in_words(path, "level survey"):
        for count, row in enumerate(csv.reader(stream, delimiter=head.delimiter or " ", skipinitialspace=True), start=1):
            if count <= head.skip or not any(field.strip() for field in row):
                continue
            fields = [row[i].strip() if i < len(row) else "" for i in at.values()]
            if not fields[2]:
                empty += 1
                continue
            numbers = [number(field, head.comma_decimals) for field in fields]
            bad = next((i for i, value in enumerate(numbers) if value is None or not abs(value) < FARTHEST), None)
            if bad is not None:
                raise RowplaneError(
                    str(path),
                    f"'{fields[bad]}' for {head.names[at[wanted[bad]]]} in line {count}",
                    "a number",
                    "Mend that line.",
                )
            rows.append([float(value) for value in numbers if value is not None])
            for key, told in words.items():
                told.append(row[bases.index(key)].strip() if key in bases and bases.index(key) < len(row) else "")
    if len(rows) < FEWEST:
        raise RowplaneError(str(path), f"{len(rows)} readings", f"{FEWEST} readings or more", "Take more readings.")
    table = np.array(rows)
    columns = {
        base: (table[:, i] * MM_PER_UNIT[dict(named)[base] or ""], dict(named)[base] or "") for i, base in enumerate(wanted)
    }
    strange = sorted({on for on in (w.lower() for w in words["on"]) if on not in ON})
    if strange:
        raise RowplaneError(
            str(path), f"'{strange[0]}' in column on", "crown, pan, board or nothing", "Use one of these words."
        )
    words["on"] = [w.lower() for w in words["on"]]
    return columns, {key: tuple(told) for key, told in words.items()}, empty


def _from_uv(path: Path, columns: Columns, words: dict[str, tuple[str, ...]], empty: int, config: IngestConfig) -> Sheet:
    (u, unit), (v, _) = columns["u"], columns["v"]
    # A staff is read downwards from the level line of sight, whatever the instrument's height.
    height = -columns["staff"][0] if "staff" in columns else columns["height"][0]
    design = np.column_stack([np.ones(len(u)), u, v])
    if np.linalg.matrix_rank((design - [0, u.mean(), v.mean()])[:, 1:] / max(np.ptp(u), np.ptp(v), 1.0), tol=1e-4) < 2:
        raise RowplaneError(str(path), "readings on one line", "readings spread over u and v", "Read more lines up the slope.")
    base, _, climb = np.linalg.lstsq(design, height, rcond=None)[0]
    findings: list[Finding] = []
    if config.pitch_deg is not None:
        pitch = config.pitch_deg
    else:
        if not abs(climb) < np.sin(np.radians(80)):
            raise RowplaneError(
                str(path),
                f"heights that change by {climb:.2f} of v, which no slope can",
                "v measured on the slope, one unit per column",
                "Check the units in the header, or set ingest.pitch_deg.",
            )
        if climb < 0:
            raise RowplaneError(
                str(path),
                "heights that fall as v grows",
                "v up the slope; staff readings grow downwards",
                "Check the sign: use staff_… for readings on a staff, height_… for heights.",
            )
        # v is measured on the slope, so the heights rise with the sine of the pitch.
        pitch = float(np.degrees(np.arcsin(climb)))
        findings.append(
            finding("pitch-from-readings", path.name, f"The pitch from {len(u)} readings is {pitch:.2f}°.", pitch, None, "°")
        )
    azimuth = config.azimuth_deg
    if azimuth is None:
        azimuth = 180.0
        findings.append(finding("azimuth-assumed", path.name, "The face was taken to look south (180°).", azimuth, None, "°"))
    along, slope, outward = _axes(pitch, azimuth)
    # The tape gives u and v on the tiles, the level gives heights: a point at height h over the datum stands
    # w = (h − v sin θ) / cos θ off the plane through it, along the normal at (u, v).
    w = (height - base - v * slope[2]) / outward[2]
    points = u[:, None] * along + v[:, None] * slope + w[:, None] * outward
    frame = SurveyFrame(
        np.zeros(3), np.eye(3), unit, MM_PER_UNIT[unit], MM_PER_UNIT[unit], unit_source="the header of the file"
    )
    readings = Readings(u, v, height, words["on"], words["point"], words["course"], True)
    return Sheet(points, readings, frame, _footprint(path, config, frame, along, slope), _dropped(empty), tuple(findings))


def _axes(pitch_deg: float, azimuth_deg: float) -> tuple[Array, Array, Array]:
    """Unit vectors along the eave, up the slope and outward of a face, in the survey frame."""
    pitch, azimuth = np.radians(pitch_deg), np.radians(azimuth_deg)
    uphill = -np.array([np.sin(azimuth), np.cos(azimuth), 0.0])
    along = np.array([uphill[1], -uphill[0], 0.0])
    slope = np.cos(pitch) * uphill + np.sin(pitch) * np.array([0.0, 0.0, 1.0])
    return along, slope, np.cross(along, slope)


def _footprint(path: Path, config: IngestConfig, frame: SurveyFrame, along: Array, up: Array) -> Polygon | None:
    """The footprint in plan, given in the directions `along` and `up` `(3,)` from the frame's origin, in the file's unit."""
    if config.footprint is None:
        return None
    polygon = footprint_of(config.footprint, path.parent, None, frame.origin[:2])
    mm = frame.unit_mm
    shift = -mm * (frame.origin[0] * along + frame.origin[1] * up)
    return affine_transform(polygon, [mm * along[0], mm * up[0], mm * along[1], mm * up[1], shift[0], shift[1]])


def _from_xyz(path: Path, columns: Columns, words: dict[str, tuple[str, ...]], empty: int, config: IngestConfig) -> Sheet:
    xyz = np.column_stack([columns[axis][0] for axis in "xyz"])
    unit, unit_z = columns["x"][1], columns["z"][1]
    if columns["y"][1] != unit:
        raise RowplaneError(
            str(path), f"x in {unit} and y in {columns['y'][1]}", "one unit for x and y", "Give both in one unit."
        )
    scale = np.array([MM_PER_UNIT[unit], MM_PER_UNIT[unit], MM_PER_UNIT[unit_z]])
    origin = np.round(np.mean(xyz, axis=0) / scale)
    points = xyz - origin * scale
    try:
        plane = fit_plane(points)
        face = face_frame(plane.centroid, plane.normal)
    except ValueError:
        raise RowplaneError(str(path), "readings on one line", "readings spread over the face", "Read more lines.") from None
    uvw = (points - plane.centroid) @ face.axes.T
    u, v = uvw[:, 0] - uvw[:, 0].min(), uvw[:, 1] - uvw[:, 1].min()
    text = f"The face looks to {azimuth_deg(face):.1f}° by its x, y, z."
    pitch = float(np.degrees(np.arccos(np.clip(plane.normal[2], -1, 1))))
    found = finding(
        "pitch-from-readings", path.name, f"The pitch from {len(u)} readings is {pitch:.2f}°. {text}", pitch, None, "°"
    )
    frame = SurveyFrame(origin, np.eye(3), unit, MM_PER_UNIT[unit], MM_PER_UNIT[unit_z], unit_source="the header of the file")
    readings = Readings(u, v, xyz[:, 2], words["on"], words["point"], words["course"], False)
    footprint = _footprint(path, config, frame, np.eye(3)[0], np.eye(3)[1])
    return Sheet(points, readings, frame, footprint, _dropped(empty), (found,))


def _dropped(empty: int) -> tuple[tuple[str, int], ...]:
    return (("lines without a reading", empty),) if empty else ()
