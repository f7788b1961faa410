"""Level surveys: some tens of staff readings on the tile tops of one face, taken from the datum.

A level line of any height lies over the roof; the staff stands plumb on a crown, in a pan, or on a board over two
neighbouring crowns. Readings stand at one place of every tile (a little up from its nose), so that the relief is one
constant; what varies is the substrate, the seating of the tiles, and the reading.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from scenes.faces import Face
from scenes.scene import Scene
from scenes.truth import UNIT_M, Georef, Truth

Array = NDArray[np.float64]
UP_FROM_NOSE_M = 0.06
KEEP_OFF_M = 0.2  # no reading on caps and in valleys
LINE_OVER_M = 0.35  # level line over the highest reading


@dataclass(frozen=True)
class Reading:
    """One staff reading: place from the datum, height of the tile top over the datum's height, what the staff stood on."""

    point: str
    course: int
    u_m: float
    v_m: float
    height_m: float
    on: str


@dataclass(frozen=True)
class LevelSurvey:
    """Readings of one face, its outline from the datum (u, v in metres), and the truth to score against."""

    readings: tuple[Reading, ...]
    outline_uv_m: tuple[tuple[float, float], ...]
    truth: Truth


def _stops(last: float, step: float) -> NDArray[np.int64]:
    """Whole numbers 0 … last, about `step` apart, both ends included."""
    return np.unique(np.round(np.linspace(0, last, max(round(last / step), 1) + 1)).astype(int))


def take_level_survey(
    scene: Scene,
    face_index: int = 0,
    *,
    on: str = "crown",
    grid_m: float = 1.0,
    reading_sd_mm: float = 1.2,
    place_sd_mm: float = 0.0,
    seed: int = 0,
) -> LevelSurvey:
    """Read a face on a grid of about grid_m, whole tiles apart. place_sd_mm: error of the taped u and v."""
    face = scene.faces[face_index]
    tile, rng = face.tile, np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(7,)))
    width, length = face.extent_m
    courses = _stops(np.floor(tile.course(np.array(length))) - 1, grid_m * 1000 / tile.gauge_mm)
    columns = _stops(np.floor(tile.column(np.array(width), np.array(0.0))) - 2, grid_m * 1000 / tile.cover_mm)
    readings: list[Reading] = []
    for course in courses:
        v = np.round(float(tile.nose_v_m(course)) + UP_FROM_NOSE_M, 3)
        for column in columns:
            u, w = _top(face, int(column), float(v), on)
            place = (np.array([u]), np.array([v]))
            if not face.inside(*place, -0.04)[0] or face.edge_distance_m(("ridge", "hip", "valley"), *place)[0] < KEEP_OFF_M:
                continue
            u_taped, v_taped = (float(np.round(x + rng.normal(0, place_sd_mm) / 1000, 3)) for x in (u, v))
            height = v * face.e_v[2] + w / 1000 * face.normal[2] + rng.normal(0, reading_sd_mm) / 1000
            readings.append(
                Reading(
                    f"p{len(readings) + 1}",
                    int(course) + 1,
                    float(np.round(u_taped - face.datum_u_m, 3)),
                    v_taped,
                    float(height),
                    on,
                )
            )
    # + 0.0 turns a rounded minus nothing into plain zero
    outline = tuple((round(float(u) - face.datum_u_m, 3) + 0.0, round(float(v), 3) + 0.0) for u, v in face.outline_uv_m)
    return LevelSurvey(tuple(readings), outline, Truth((replace(face, index=0),), Georef(), "uv"))


def _top(face: Face, column: int, v: float, on: str) -> tuple[float, float]:
    """Place across and height of what the staff stands on, at a tile column."""
    if on == "board":
        ends = [float(face.tile.crown_u_m(np.array(column + k), np.array(v))) for k in (0, 1)]
        heights = face.surface_mm(np.array(ends), np.array([v, v]))
        return round(float(np.mean(ends)), 3), float(np.mean(heights))
    place = face.tile.crown_u_m if on == "crown" else face.tile.pan_u_m
    u = round(float(place(np.array(column), np.array(v))), 3)
    return u, float(face.surface_mm(np.array([u]), np.array([v]))[0])


def write_level_csv(survey: LevelSurvey, path: Path, *, unit: str = "m", kind: str = "staff") -> None:
    """CSV with point, course, on, u, v and the staff reading (down from the level line) or the height over the datum."""
    line = max(r.height_m for r in survey.readings) + LINE_OVER_M
    digits = {"m": 4, "mm": 1, "ft": 4, "in": 2}[unit]
    with path.open("w", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream, lineterminator="\n")
        out.writerow(["point", "course", "on", f"u_{unit}", f"v_{unit}", f"{kind}_{unit}"])
        for r in survey.readings:
            value = line - r.height_m if kind == "staff" else r.height_m
            out.writerow([r.point, r.course, r.on, *(f"{x / UNIT_M[unit]:.{digits}f}" for x in (r.u_m, r.v_m, value))])
