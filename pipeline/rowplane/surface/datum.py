"""The datum of a face: the frame on the substrate's own plane that a crew can put a tape on, and the face moved into it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np
import shapely
from shapely.geometry import Polygon

from rowplane.frames import face_frame, face_to_survey, move_origin, survey_to_face
from rowplane.model import Array, Edge, Face, FaceFrame, TilePattern
from rowplane.surface.grid import Grid, shifted

ON_EDGE = 0.15
"""A nose this share of a gauge below the eave's line still counts as lying on it: the eave is known no better."""


def carried(old: FaceFrame, new: FaceFrame, uv: Array, w: Array | float = 0.0) -> Array:
    """u, v, w in `new` `(n, 3)` of places `(n, 2)` at height w of `old`."""
    uv = np.asarray(uv, dtype=float).reshape(-1, 2)
    return survey_to_face(new, face_to_survey(old, np.column_stack([uv, np.broadcast_to(w, len(uv))])))


def frame_of_plane(old: FaceFrame, height: float, slope_u: float, slope_v: float) -> FaceFrame:
    """Frame on the plane w = height + slope_u·u + slope_v·v of `old`, origin above the old one."""
    origin = face_to_survey(old, np.array([[0.0, 0.0, height]]))[0]
    return face_frame(origin, np.array([-slope_u, -slope_v, 1.0]) @ old.axes)


def tilted_frame(old: FaceFrame, height: float, slope_u: float, slope_v: float) -> FaceFrame:
    """The same, with u kept as near to the old u as the new plane allows, for a face whose u was taped and not levelled."""
    w = np.array([-slope_u, -slope_v, 1.0]) @ old.axes
    w /= np.linalg.norm(w)
    u = old.axes[0] - (old.axes[0] @ w) * w
    u /= np.linalg.norm(u)
    return FaceFrame(face_to_survey(old, np.array([[0.0, 0.0, height]]))[0], np.array([u, np.cross(w, u), w]))


def carried_grid(grid: Grid, old: FaceFrame, new: FaceFrame) -> Grid:
    """The same grid in the coordinates of another frame on nearly the same plane."""
    corners = carried(old, new, np.array([[0.0, 0.0], [1000.0, 0.0]]))
    turn = float(np.arctan2(corners[1, 1] - corners[0, 1], corners[1, 0] - corners[0, 0]))
    skew, tilt = grid.skew - turn, grid.tilt + turn
    zero = carried(old, new, np.column_stack(grid.place(np.zeros(1), np.zeros(1))))[0]
    return replace(grid, skew=skew, tilt=tilt, u0_mm=float(zero[0] - skew * zero[1]), v0_mm=float(zero[1] - tilt * zero[0]))


def moved(face: Face, frame: FaceFrame) -> Face:
    """`face` with outline, edges and obstacles in `frame`; what the frames' planes differ by is dropped along w."""

    def polygon(shape: Polygon) -> Polygon:
        return shapely.transform(shape, lambda xy: carried(face.frame, frame, xy)[:, :2])

    def edge(e: Edge) -> Edge:
        (u0, v0, _), (u1, v1, _) = carried(face.frame, frame, np.array([e.start_uv, e.end_uv]))
        return replace(e, start_uv=(float(u0), float(v0)), end_uv=(float(u1), float(v1)))

    obstacles = tuple(replace(o, outline=polygon(o.outline)) for o in face.obstacles)
    return replace(
        face, frame=frame, outline=polygon(face.outline), edges=tuple(edge(e) for e in face.edges), obstacles=obstacles
    )


def datum(face: Face, grid: Grid | None) -> tuple[float, float, str]:
    """(u, v) of the datum in the face's present frame, and where it lies in words."""
    eaves = [e for e in face.edges if e.kind == "eave"]
    ends = np.array([p for e in eaves for p in (e.start_uv, e.end_uv)]) if eaves else np.array(face.outline.exterior.coords)
    u0, eave = float(ends[:, 0].min()), float(ends[:, 1].min())
    left = "the left end of the eave" if eaves else "the left end of the face"
    for edge in face.edges:
        low = min(edge.start_uv, edge.end_uv, key=lambda p: p[1])
        if edge.kind == "verge" and np.hypot(low[0] - u0, low[1] - eave) < 300:
            u0, left = float(low[0]), "the left verge's tile edge"
            break
    if grid is None:
        return u0, eave, f"u = 0 at {left}; v = 0 at {'the eave' if eaves else 'the lowest edge'}: no tile pattern was found"
    course = float(grid.course(np.array([u0]), np.array([eave]))[0])
    _, v0 = grid.place(grid.column(np.array([u0]), np.array([eave])), np.array([np.ceil(course - ON_EDGE)]))
    return u0, float(v0[0]), f"u = 0 at {left}; v = 0 at the nose line of the first full course there"


def datum_frame(face: Face, grid: Grid | None) -> tuple[FaceFrame, str]:
    """The present plane with its origin at the datum, and the datum in words."""
    u0, v0, note = datum(face, grid)
    return move_origin(face.frame, u0, v0), note


def pattern_of(grid: Grid, relief: Array, pan: tuple[float, float], step: float, confidence: float, sd: Array) -> TilePattern:
    """The tile pattern in the datum frame, where course 1 has its nose at v = 0.

    `relief` rows from the nose up, columns from the grid's left border; `pan` middle and width of the pan as shares of the
    cover width from there. Pan 1 is the first that lies wholly right of the datum. A grid without columns gives NaN for
    all that rests on them.
    """
    at_zero = shifted(grid, 0.0, float(np.round(grid.course(np.zeros(1), np.zeros(1))[0])))
    seen = 1.0 if grid.columns else math.nan
    cover = seen * grid.cover_mm
    middle, width = pan[0] * cover, pan[1] * cover
    first = int(np.ceil((width / 2 - middle - grid.u0_mm) / cover)) if grid.columns else 0
    columns = relief.shape[1]
    turned = np.roll(relief, -round(pan[0] * columns - 0.5), axis=1)
    section = relief.mean(0)
    rise = float(np.ptp(section))
    # ASTM C1167: high above 1 : 5 of rise to width; below half an inch it is the roofing manual's flat or low.
    profile: Literal["high", "low", "flat"] = "flat" if rise < 12.7 else "high" if rise > cover / 5 else "low"
    return TilePattern(
        gauge_mm=at_zero.gauge_mm, cover_width_mm=cover, nose_phase_mm=at_zero.v0_mm,
        pan_phase_mm=grid.u0_mm + first * cover + middle, skew=grid.skew, tilt=grid.tilt, drift_mm=grid.drift_mm,
        rise_mm=seen * rise, course_step_mm=step, profile=profile, relief_mm=turned - turned.min(), confidence=confidence,
        gauge_sd_mm=float(sd[1]), cover_width_sd_mm=seen * float(sd[0]), pan_width_mm=width,
    )  # fmt: skip
