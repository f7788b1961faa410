"""A level survey: exactly one face, the least-squares plane of its readings."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial import Delaunay, QhullError
from shapely import concave_hull
from shapely.geometry import MultiPoint, Polygon, box
from shapely.geometry.polygon import orient

from rowplane.config import PlanesConfig
from rowplane.findings import finding
from rowplane.frames import face_frame, move_origin, pitch_deg, survey_to_face
from rowplane.geometry import fit_plane
from rowplane.model import Array, Building, Face, FaceFrame, Finding, Readings, Roof, Survey
from rowplane.planes.edges import name_edges

FULL_SHARE = 0.93
"""Readings that fill their rectangle by this share span all of it."""
BAY = 2.3
"""Readings along a slanted edge stand up to √5 steps apart; a bay wider than that was not read."""
STRAIGHT_MM = 60.0
"""Readings stand on tiles, so that a straight edge's own wander by this much."""


def fit_readings(survey: Survey, config: PlanesConfig) -> Roof:
    """The face of a level survey; its frame is the readings' own u, v where they were given.

    Readings with NaN belong to no face. Raises nothing: readings on one line or a flat plane are 'no-roof'.
    """
    points = np.asarray(survey.points_mm, dtype=float)
    sound = np.isfinite(points).all(axis=1)
    labels = np.where(sound, 0, -1).astype(np.int16)
    try:
        plane = fit_plane(points[sound])
        level = face_frame(plane.centroid, plane.normal)
    except ValueError as reason:
        return _none(survey, labels, f"{sound.sum()} readings: {reason}")
    pitch = pitch_deg(level)
    if not config.min_pitch_deg <= pitch <= config.max_pitch_deg:
        return _none(survey, labels, f"the readings' plane is at {pitch:.1f}°")
    frame = _frame(level, points[sound], survey.readings, sound)
    uvw = survey_to_face(frame, points[sound])
    outline, findings = _outline(survey, frame, uvw)
    covariance = _covariance(uvw, outline)
    rms = float(np.sqrt(np.mean(uvw[:, 2] ** 2)))
    edges = name_edges(outline, [], [], lambda a, b: False)
    face = Face("A", frame, outline, edges, (), int(sound.sum()), rms, covariance)
    plan = _plan(frame, outline)
    return Roof((face,), labels, (Building(plan, float(plan.area) / 1e6, True),), findings)


def _none(survey: Survey, labels: np.ndarray[tuple[int], np.dtype[np.int16]], seen: str) -> Roof:
    nothing = np.full_like(labels, -1)
    return Roof((), nothing, (), (finding("no-roof", survey.name, f"No pitched roof face was found: {seen}."),))


def _frame(level: FaceFrame, points: Array, readings: Readings | None, sound: Array) -> FaceFrame:
    """Frame of the plane whose u, v are the readings' as nearly as a shift and a turn within the plane can make them.

    A tape follows the eave, not the plane's own level line, which a slight slope along the eave turns by degrees.
    """
    if readings is None or not readings.given_uv:
        low = survey_to_face(level, points)[:, :2].min(axis=0)
        return move_origin(level, float(low[0]), float(low[1]))
    want = np.column_stack([readings.u_mm, readings.v_mm])[sound]
    have = survey_to_face(level, points)[:, :2]
    a, b = have - have.mean(axis=0), want - want.mean(axis=0)
    turn = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    c, s = np.cos(turn), np.sin(turn)
    axes = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ level.axes
    turned = FaceFrame(level.origin_mm, axes)
    shift = (survey_to_face(turned, points)[:, :2] - want).mean(axis=0)
    return move_origin(turned, float(shift[0]), float(shift[1]))


def _outline(survey: Survey, frame: FaceFrame, uvw: Array) -> tuple[Polygon, tuple[Finding, ...]]:
    """The footprint lifted onto the face; without one, the rectangle the readings span."""
    if survey.footprint_mm is not None:
        ring = np.array(survey.footprint_mm.exterior.coords)[:, :2]
        w = frame.axes[2]
        z = frame.origin_mm[2] - (ring - frame.origin_mm[:2]) @ w[:2] / w[2]
        return orient(Polygon(survey_to_face(frame, np.column_stack([ring, z]))[:, :2]), 1.0), ()
    low, high = uvw[:, :2].min(axis=0), uvw[:, :2].max(axis=0)
    outline, size = box(*low, *high), (high - low) / 1000
    text = f"The outline is the {size[0]:.2f} m × {size[1]:.2f} m that the readings span."
    try:
        spanned = _spanned(uvw[:, :2])
    except QhullError:  # all but on one line
        spanned = outline
    if spanned.area < FULL_SHARE * outline.area:  # a hip, or a wing beside it: no hook where nobody read
        outline = spanned
        text = f"The outline is the {spanned.area / 1e6:.1f} m² between the readings, within {size[0]:.2f} m × {size[1]:.2f} m."
    return orient(outline, 1.0), (finding("outline-assumed", "face A", text, outline.area / 1e6, None, "m²"),)


def _spanned(uv: Array) -> Polygon:
    """What lies between readings that are neighbours: their hull, less bays wider than BAY steps of the survey.

    The step is the widest that has to be taken to go from reading to reading over all of them.
    """
    # In whole mm: on a grid, triangulations lose their way among the last digits of places that came through a frame.
    uv = np.round(uv)
    sides = Delaunay(uv).simplices[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    ends = np.unique(np.sort(sides, axis=1), axis=0)  # most are the side of two triangles, and a matrix would add them up
    length = np.linalg.norm(uv[ends[:, 0]] - uv[ends[:, 1]], axis=1)
    tree = minimum_spanning_tree(coo_array((length, (ends[:, 0], ends[:, 1])), shape=(len(uv), len(uv))).tocsr())
    widest = min(BAY * tree.max(), length.max())
    ratio = (widest - length.min()) / max(length.max() - length.min(), 1e-9)
    return concave_hull(MultiPoint(uv), ratio).simplify(STRAIGHT_MM)


def _covariance(uvw: Array, outline: Polygon) -> Array:
    """Covariance of (slope along u, slope along v, height at the outline's centroid): σ²(AᵀA)⁻¹."""
    centre = np.array([outline.centroid.x, outline.centroid.y])
    design = np.column_stack([uvw[:, :2] - centre, np.ones(len(uvw))])
    variance = float((uvw[:, 2] ** 2).sum()) / max(len(uvw) - 3, 1)
    return np.asarray(variance * np.linalg.inv(design.T @ design))


def _plan(frame: FaceFrame, outline: Polygon) -> Polygon:
    ring = np.array(outline.exterior.coords)
    space = np.column_stack([ring, np.zeros(len(ring))]) @ frame.axes + frame.origin_mm
    return Polygon(space[:, :2])
