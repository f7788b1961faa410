"""Reading the tables of the contract strictly: every number a number, every id once, every reference known."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Row = dict[str, str]
COLUMNS = {
    "feet": (
        "foot",
        "face",
        "array",
        "line",
        "rail",
        "kind",
        "u_mm",
        "v_mm",
        "x",
        "y",
        "z",
        "rail_height_mm",
        "load_sag_mm",
        "lift_mm",
        "adjustment_mm",
        "turns",
        "packer_mm",
        "sigma_mm",
        "string_gap_mm",
        "reach",
        "trust",
        "revision",
        "note",
    ),
    "hooks": (
        "hook",
        "face",
        "array",
        "rail",
        "rafter",
        "course",
        "pan",
        "u_mm",
        "v_mm",
        "x",
        "y",
        "z",
        "span_mm",
        "seat_height_mm",
        "packer_mm",
        "uplift_N",
        "down_N",
        "downslope_N",
        "use_percent",
        "governs",
        "trust",
        "note",
    ),
    "faces": (
        "face",
        "pitch_deg",
        "azimuth_deg",
        "area_m2",
        "eave_mm",
        "slope_length_mm",
        "points",
        "rms_mm",
        "gauge_mm",
        "cover_width_mm",
        "tile_rise_mm",
        "deviation_rms_mm",
        "deviation_max_mm",
        "modules",
        "status",
        "note",
    ),
    "rails": ("rail",),
    "modules": ("module",),
}
IDS = {"feet": "foot", "hooks": "hook", "faces": "face", "rails": "rail", "modules": "module"}
SAME_THREAD_MM = 0.06  # lift = least lift + turns x thread pitch, but for rounding to 0.1 mm
SAME_MID_MM = 0.11  # lift - adjustment is mid-travel everywhere, but for rounding of both


class ScoreError(ValueError):
    """A result that cannot be scored; the message names the row and the column."""


def read_table(folder: Path, name: str) -> list[Row]:
    """Rows of one table; raises when the file, a column of the contract or a row's cell is missing, or an id is double."""
    path = folder / f"{name}.csv"
    if not path.is_file():
        raise ScoreError(f"{path.name} is missing in {folder}")
    with path.open(encoding="utf-8", newline="") as stream:
        reader = csv.DictReader(stream)
        lacking = [c for c in COLUMNS[name] if c not in (reader.fieldnames or ())]
        if lacking:
            raise ScoreError(f"{path.name}: columns missing: {', '.join(lacking)}")
        rows = list(reader)
    if any(None in row or None in row.values() for row in rows):
        raise ScoreError(f"{path.name}: a row has more or fewer cells than the header")
    ids = [row[IDS[name]] for row in rows]
    double = sorted({i for i in ids if ids.count(i) > 1})
    if double or "" in ids:
        raise ScoreError(f"{path.name}: ids double or empty: {', '.join(double) or 'empty'}")
    return rows


def number(row: Row, column: str) -> float:
    """A finite number from a cell; raises otherwise."""
    try:
        value = float(row[column])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        who = next((row[i] for i in ("foot", "hook", "face") if i in row), "?")
        raise ScoreError(f"{who}: {column} is {row[column]!r}, not a number")
    return value


def numbers(rows: list[Row], column: str) -> Array:
    return np.array([number(row, column) for row in rows], dtype=float)


def check_feet(feet: list[Row], hooks: list[Row], rails: set[str], faces: set[str]) -> None:
    """References, signs and counts that need no truth; raises ScoreError on the first that does not hold."""
    if not feet:
        raise ScoreError("feet.csv has no feet")
    for row in feet:
        if row["rail"] not in rails:
            raise ScoreError(f"foot {row['foot']}: rail {row['rail']!r} is not in rails.csv")
        if row["reach"] not in ("ok", "packer", "out-of-reach") or row["trust"] not in ("ok", "measure"):
            raise ScoreError(f"foot {row['foot']}: reach {row['reach']!r}, trust {row['trust']!r}: not words of the contract")
    for row in hooks + feet:
        if row["face"] not in faces:
            raise ScoreError(f"face {row['face']!r} of a support is not in faces.csv")
    turns = numbers(feet, "turns")
    if np.abs(turns * 4 - np.round(turns * 4)).max() > 1e-6:
        raise ScoreError("turns are not all quarters")
    lift = numbers(feet, "lift_mm")
    line = np.column_stack([np.ones(len(turns)), turns])
    if np.abs(lift - line @ np.linalg.lstsq(line, lift, rcond=None)[0]).max() > SAME_THREAD_MM:
        raise ScoreError("lift_mm does not follow turns by one thread pitch")
    middle = lift - numbers(feet, "adjustment_mm")
    if np.ptp(middle) > SAME_MID_MM:
        raise ScoreError("lift_mm - adjustment_mm is not one mid-travel lift")
    if numbers(feet, "sigma_mm").min() <= 0:
        raise ScoreError("sigma_mm must be positive")
    for column in ("packer_mm", "rail_height_mm", "load_sag_mm"):
        numbers(feet, column)
