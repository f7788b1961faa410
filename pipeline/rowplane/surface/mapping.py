"""The order of the work: points of a face in, its Surface out."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from rowplane.config import SurfaceConfig
from rowplane.findings import finding
from rowplane.frames import survey_to_face
from rowplane.model import Array, Face, Finding, Roof, Surface, Surfaces, Survey
from rowplane.surface.cells import Cells, Rough, TileParts, drawn, merged, over_relief, plain_grid, tile_values
from rowplane.surface.datum import carried, carried_grid, datum_frame, moved, pattern_of
from rowplane.surface.field import Prior, SubstrateField, condition, given, left_out
from rowplane.surface.grid import Grid, detrend, find_grid
from rowplane.surface.levels import map_levels
from rowplane.surface.outcome import finished, on_own_plane
from rowplane.surface.patches import patches_of, strip_patch
from rowplane.surface.relief import CLIP, COLUMNS, ROWS, Relief, anchor, fit_relief, pan_at, refine, robust_sd
from rowplane.surface.smoothing import UNPATTERNED_SEAT_MM, choose_prior, first_prior, over
from rowplane.surface.strips import Strip, find_strips

PATTERN_POINTS = 60_000
"""Points that the tile pattern is found on: more do not move it by a tenth of a millimetre."""
MOST_VALUES = 1500
ROUGH_VALUES, ROUGH_POINTS = 600, 300_000
SURE_MM, FEWEST_SURE = 250.0, 24
"""The rough substrate is fitted on tiles this far from every edge, where there are that many: what runs along edges is
judged by it."""
CLOUD_ERROR_SD_MM = 1.5
"""Assumed: inside one face a smooth survey error looks like sag. With it the stated bands cover 95 % where truth is 1 mm."""
OFF_SIGMAS, DOUBTED_SIGMAS = 4.0, 3.2
"""Values this far off are shown as displaced, or kept out of the field already: of sound tiles one in seven hundred."""
FEWEST_COURSES, FEWEST_TO_DRIFT = 2.5, 8.0
FEWEST_POINTS, SHORTEST_SIDE_MM = 200, 300.0
LEAST_SHARE = 0.01
"""Share of the scatter that the relief explains at least: ribs of a sheet roof, or ripples of the matching, are no tiles to hook."""


def map_surface(survey: Survey, roof: Roof, config: SurfaceConfig) -> Surfaces:
    """The Surface of every used face of `roof`, in its order; empty with no faces.

    A level survey (survey.readings) and a cloud end in the same kind of field.
    """
    used = [(k, face) for k, face in enumerate(roof.faces) if face.used]
    if survey.kind == "level" and survey.readings is not None:
        return Surfaces(tuple(map_levels(survey, roof.labels == k, face, config) for k, face in used))

    def one(place: tuple[int, Face]) -> Surface:
        return map_face(survey.points_mm[roof.labels == place[0]], place[1], config)

    # Faces know nothing of each other: one core each. Their matrices are too small to share among threads.
    with threadpool_limits(1), ThreadPoolExecutor(_cores()) as pool:
        return Surfaces(tuple(pool.map(one, used)), assumed(config) if used else ())


def assumed(config: SurfaceConfig) -> tuple[Finding, ...]:
    """What the stated sigmas rest on and no scan of one face can tell."""
    if config.smooth_error_sd_mm is not None:
        return ()
    length = config.smooth_error_length_mm / 1000
    text = f"A smooth survey error of {CLOUD_ERROR_SD_MM} mm over {length:g} m is assumed: inside one face it looks like sag."
    return (finding("survey-error-assumed", "survey", text, CLOUD_ERROR_SD_MM, None, "mm"),)


def _cores() -> int:
    """Cores to use: all of the machine, or as many as numeric libraries are held to (a batch runs a lead per core)."""
    held = os.environ.get("OMP_NUM_THREADS", "")
    return max(1, min(int(held) if held.isdigit() else 64, os.cpu_count() or 1))


@dataclass(frozen=True)
class Found:
    """The tile pattern as found on the points: grid, relief table, pan (middle, width as shares), step, confidence.

    Where the grid has no columns the table has one, and the pan means nothing.
    """

    grid: Grid
    relief: Relief
    pan: tuple[float, float]
    step_mm: float
    confidence: float
    sd_mm: Array


def map_face(points_mm: NDArray[Any], face: Face, config: SurfaceConfig) -> Surface:
    """Surface of one face from its points `(n, 3)` in the survey frame."""
    uvw = survey_to_face(face.frame, points_mm)
    found = find_pattern(uvw, config)
    grid, relief = (found.grid, found.relief) if found else (plain_grid(), None)
    error = CLOUD_ERROR_SD_MM if config.smooth_error_sd_mm is None else config.smooth_error_sd_mm
    seat = config.seating_sd_mm if found else UNPATTERNED_SEAT_MM
    start = first_prior(face.outline, max(seat, 0.5), error, config.smooth_error_length_mm)
    cells, strips = values_of(grid, relief, uvw, start, face)
    prior, off = settle(cells, replace(start, near_sd=cells.near_mm, tile=(grid.cover_mm, grid.gauge_mm)))
    return assemble(face, found, cells, off, prior, strips, config)


def find_pattern(uvw: Array, config: SurfaceConfig) -> Found | None:
    """The tile pattern of points `(n, 3)`, or None where nothing repeats."""
    if len(uvw) < FEWEST_POINTS or min(np.ptp(uvw[:, 0]), np.ptp(uvw[:, 1])) < SHORTEST_SIDE_MM:
        return None
    u, v, w = uvw[drawn(len(uvw), PATTERN_POINTS)].T
    rest = detrend(u, v, w)
    grid, across, up = find_grid(u, v, rest, config.cover_width_mm, config.gauge_mm)
    if grid is None or np.ptp(v) < FEWEST_COURSES * grid.gauge_mm or np.ptp(u) < FEWEST_COURSES * grid.cover_mm:
        return None
    grid, sd = refine(grid, u, v, rest, bool(np.ptp(v) > FEWEST_TO_DRIFT * grid.gauge_mm))
    grid, step, gain = anchor(grid, u, v, rest)
    if not gain > 0.6 or step <= 0:
        return None
    column, course = grid.column(u, v), grid.course(u, v)
    table, _ = fit_relief(column, course, rest, (ROWS, COLUMNS if grid.columns else 1))
    if np.var(table) < LEAST_SHARE * np.var(rest):
        return None
    pan = pan_at(grid, u, v, rest) if grid.columns else (0.5, 0.0)
    level = float(table[:, int(pan[0] * table.shape[1]) % table.shape[1]].min())
    confidence = float(np.clip(gain, 0, 1) * (1 - np.exp(-np.log2(max(min(across, up), 1.0)) - 0.7)))
    return Found(grid, Relief(table - level), pan, step, confidence, sd)


def values_of(grid: Grid, relief: Relief | None, uvw: Array, start: Prior, face: Face) -> tuple[Cells, tuple[Strip, ...]]:
    """One value per tile, with points and parts of tiles that stand off the rough substrate kept out, and the strips cut."""
    box = (uvw[:, 0].min(), uvw[:, 1].min(), uvw[:, 0].max(), uvw[:, 1].max()) if len(uvw) else (0.0, 0.0, 1.0, 1.0)
    some = uvw[drawn(len(uvw), ROUGH_POINTS)]
    first = tile_values(grid, relief, some, box)
    if len(first.uv) < 6:
        return first, ()
    inner = shapely.contains_xy(face.outline.buffer(-SURE_MM), *first.uv.T)
    sure = bool(inner.sum() >= FEWEST_SURE)
    few = first.only(inner) if sure else first
    few = few.only(np.arange(len(few.uv)) % max(len(few.uv) // ROUGH_VALUES, 1) == 0)
    parts = TileParts(grid, box)
    expected = robust(few, start).mean_mm(parts.middles()).reshape(parts.shape)
    u, v, rest, index = over_relief(parts, relief, some)
    away = rest - expected.reshape(-1)[parts.tile(index)]
    strips = find_strips(face.edges, u, v, away) if sure else ()
    rough = Rough(expected, max(1.3 * CLIP * robust_sd(away), 12.0), strips)
    return tile_values(grid, relief, uvw, box, rough), strips


def robust(cells: Cells, prior: Prior) -> SubstrateField:
    """Field with values that disagree with their neighbours given a larger variance (Student-like weights, five turns)."""
    uv, base = cells.uv, prior.seat_sd**2 / cells.tiles + cells.variance
    signal = prior.signal(uv, uv)
    shared, variance = signal + prior.error(uv, uv), base
    for _ in range(5):
        field = given(prior, uv, cells.height, shared, variance)
        away = np.abs(cells.height - signal @ field.alpha)
        scale = max(1.4826 * float(np.median(away)), 0.5 * float(np.sqrt(np.median(base))))
        variance = base * (1 + (away / (2.0 * scale)) ** 2)
    return field


def settle(cells: Cells, start: Prior) -> tuple[Prior, Array]:
    """The prior chosen from values that do not stand off by DOUBTED_SIGMAS, and how many sigmas each value is off `(n,)`."""
    if len(cells.uv) < 6:
        return start, np.zeros(len(cells.uv))
    few = merged(cells, MOST_VALUES)
    tile = start.tile
    start = replace(start, tile=(tile[0], tile[1] * float(np.median(few.tiles))))
    keep = np.ones(len(few.uv), dtype=bool)
    field = robust(few, start)
    away = few.height - field.mean_mm(few.uv)
    keep = np.abs(away) <= 5.0 * max(1.4826 * float(np.median(np.abs(away))), 0.5)
    prior = choose_prior(few.uv[keep], few.height[keep], few.variance[keep], start, few.tiles[keep])
    for _ in range(2):
        some = few.only(keep)
        field = condition(prior, some.uv, some.height, some.variance, some.tiles)
        error, sd = left_out(field)
        out = np.abs(error) > DOUBTED_SIGMAS * sd
        if not out.any():
            break
        keep[np.flatnonzero(keep)[out]] = False
        prior = choose_prior(few.uv[keep], few.height[keep], few.variance[keep], prior, few.tiles[keep])
    away = np.abs(cells.height - field.mean_mm(cells.uv))
    single = replace(prior, tile=tile)
    own = prior.seat_sd**2 + prior.near_sd**2 * float(single.near(np.zeros(1), np.zeros(1))[0])
    return prior, away / np.sqrt(own + cells.variance + field.sd_mm(cells.uv) ** 2)


def assemble(
    face: Face,
    found: Found | None,
    cells: Cells,
    off: Array,
    prior: Prior,
    strips: tuple[Strip, ...],
    config: SurfaceConfig,
) -> Surface:
    """The field on the substrate's own plane in the datum frame, and all that is read off it."""
    kept = off <= DOUBTED_SIGMAS
    values = merged(cells.only(kept), MOST_VALUES)
    first = condition(prior, values.uv, values.height, values.variance, values.tiles)
    flat = on_own_plane(face, first)
    grid = carried_grid(found.grid, face.frame, flat.frame) if found else None
    frame, note = datum_frame(flat, grid)
    here = moved(flat, frame)
    uvw = carried(face.frame, frame, values.uv, values.height)
    field = condition(over(prior, here.outline), uvw[:, :2], uvw[:, 2], values.variance, values.tiles)
    pattern = None
    if found and grid:
        grid = carried_grid(grid, flat.frame, frame)
        pattern = pattern_of(grid, found.relief.table, found.pan, found.step_mm, found.confidence, found.sd_mm)
    patches = patches_of(cells, off <= OFF_SIGMAS, first, grid or carried_grid(plain_grid(), face.frame, frame))
    patches += tuple(strip_patch(strip, face.frame, here) for strip in strips if strip.depth_mm > 0)
    left_out = sum(cells.left_out) + int(cells.count[~kept].sum())
    return finished(here, pattern, field, values.noise_mm, patches, note, config.raster_step_mm, left_out)
