"""A level survey brought to the same field: readings on crown, pan or board instead of tile values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rowplane.config import SurfaceConfig
from rowplane.errors import RowplaneError
from rowplane.findings import finding
from rowplane.frames import move_origin, survey_to_face
from rowplane.model import Array, Face, Patch, Readings, Surface, Survey, TilePattern
from rowplane.surface.datum import carried, datum_frame, moved
from rowplane.surface.field import condition, left_out
from rowplane.surface.outcome import finished, on_own_plane
from rowplane.surface.smoothing import choose_prior, first_prior, over

LEVEL_ERROR_SD_MM = 0.5
KIND_SD_MM = 100.0
"""How far readings on crowns may stand over those in pans before anything is known."""
BOARD_TILES = 2.0
"""A board lies on two crowns and halves the variance of their seating."""
HINT_CONFIDENCE = 0.3
OFF_SIGMAS = 4.0
OFF_HALF_MM = 150.0


def map_levels(survey: Survey, mine: NDArray[np.bool_], face: Face, config: SurfaceConfig) -> Surface:
    """Surface of the face that the readings `mine` `(n,)` of a level survey lie on.

    Readings of different kinds get an offset each, known only from the readings themselves; the substrate's level is that
    of the kind read most. Raises RowplaneError where fewer than four readings are left.
    """
    readings = survey.readings
    if readings is None or int(mine.sum()) < 4:
        raise RowplaneError(f"face {face.id}", f"{int(mine.sum())} readings", "four or more", "Read more points on this face.")
    uvw = survey_to_face(face.frame, survey.points_mm[mine])
    kinds = np.array(readings.on)[mine]
    tiles = np.where(kinds == "board", BOARD_TILES, 1.0)
    shared = KIND_SD_MM**2 * ((kinds[:, None] == kinds[None, :]) & (kinds != _usual(kinds))[:, None])
    variance = np.full(len(uvw), config.reading_sd_mm**2)
    error = LEVEL_ERROR_SD_MM if config.smooth_error_sd_mm is None else config.smooth_error_sd_mm
    prior = first_prior(face.outline, max(config.seating_sd_mm, 0.2), error, config.smooth_error_length_mm)
    keep = np.ones(len(uvw), dtype=bool)
    for _ in range(3):
        both = shared[np.ix_(keep, keep)]
        prior = choose_prior(uvw[keep, :2], uvw[keep, 2], variance[keep], prior, tiles[keep], both)
        field = condition(prior, uvw[keep, :2], uvw[keep, 2], variance[keep], tiles[keep], both)
        away, sd = left_out(field)
        out = np.abs(away) > OFF_SIGMAS * sd
        if not out.any() or len(uvw) < 12:
            break
        keep[np.flatnonzero(keep)[out]] = False
    flat = on_own_plane(face, field, taped=readings.given_uv)
    here, note = _at_datum(flat, survey, mine, readings)
    at = carried(face.frame, here.frame, uvw[:, :2], uvw[:, 2])
    both = shared[np.ix_(keep, keep)]  # the last turn may have left out readings after it was built
    own = condition(over(prior, here.outline), at[keep, :2], at[keep, 2], variance[keep], tiles[keep], both)
    patches = tuple(_off(at[k], float(uvw[k, 2] - field.mean_mm(uvw[k : k + 1, :2])[0])) for k in np.flatnonzero(~keep))
    pattern = hinted_pattern(config, at[:, :2], kinds)
    surface = finished(here, pattern, own, config.reading_sd_mm, patches, note, config.raster_step_mm, int((~keep).sum()))
    return surface if pattern is None else replace(surface, findings=(*surface.findings, _hinted(face)))


def _usual(kinds: NDArray[np.str_]) -> str:
    names, counts = np.unique(kinds, return_counts=True)
    return str(names[np.argmax(counts)])


def _hinted(face: Face):  # type: ignore[no-untyped-def]
    return finding(
        "no-pattern", f"face {face.id}",
        f"Face {face.id} was levelled: gauge and cover width are those given, counted from the datum, not seen.",
    )  # fmt: skip


def _at_datum(face: Face, survey: Survey, mine: NDArray[np.bool_], readings: Readings) -> tuple[Face, str]:
    """The face with its origin where the readings' own u = 0, v = 0 lies, or at the outline's datum where they have none."""
    if not readings.given_uv:
        frame, note = datum_frame(face, None)
        return moved(face, frame), note
    at = survey_to_face(face.frame, survey.points_mm[mine])[:, :2]
    given = np.column_stack([readings.u_mm, readings.v_mm])[mine]
    u0, v0 = np.median(at - given, axis=0)
    return moved(face, move_origin(face.frame, float(u0), float(v0))), "u = 0, v = 0 is the datum of the level survey"


def _off(uvw: Array, height: float) -> Patch:
    import shapely

    return Patch(
        shapely.box(uvw[0] - OFF_HALF_MM, uvw[1] - OFF_HALF_MM, uvw[0] + OFF_HALF_MM, uvw[1] + OFF_HALF_MM), "displaced", height
    )


def hinted_pattern(config: SurfaceConfig, uv: Array, kinds: NDArray[np.str_]) -> TilePattern | None:
    """Courses and pans by the gauge and cover width given, counted from the datum; None unless both are given.

    Readings taken in pans say where pans lie; without them pan 1 is put on the datum.
    """
    if config.gauge_mm is None or config.cover_width_mm is None:
        return None
    cover = config.cover_width_mm
    turn = np.exp(2j * np.pi * uv[kinds == "pan", 0] / cover).sum() if (kinds == "pan").any() else 1.0
    phase = float(np.angle(turn)) / (2 * np.pi) * cover
    return TilePattern(
        config.gauge_mm, cover, 0.0, phase if phase >= -0.01 * cover else phase + cover, 0.0, 0.0, 0.0, 0.0, 0.0, "flat",
        np.zeros((2, 2)), HINT_CONFIDENCE, 0.003 * config.gauge_mm, 0.003 * cover, 0.5 * cover,
    )  # fmt: skip
