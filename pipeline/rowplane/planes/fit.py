"""From a cloud to the faces of one building, step by step."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from rowplane.config import PlanesConfig
from rowplane.findings import finding
from rowplane.frames import move_origin, survey_to_face
from rowplane.geometry import PlaneFit
from rowplane.model import Array, Building, Edge, Face, Finding, Roof, Survey
from rowplane.planes import buildings
from rowplane.planes.drafts import Draft, Mask, Scan, alike, first_draft, near_points, outlined, refitted, thinned
from rowplane.planes.edges import name_edges
from rowplane.planes.grid import Grid, make_grid
from rowplane.planes.labels import label
from rowplane.planes.obstacles import find_obstacles
from rowplane.planes.overlooked import find_overlooked, with_faces
from rowplane.planes.segment import CellFace, area_m2, find_faces, settle

SAMPLE = 300_000
"""Points that planes and outlines are worked out from; only the labels need every point of a larger scan."""
ROUGH = 100_000
"""Points of the sample that do for the first outline, which only has to tell caps and gutters from the face."""
LEAST_USED_M2 = 4.0
OVERHANG_MM, RUNS_ON_SHARE = 800.0, 0.03
"""A footprint is often that of the walls: tiles overhang it by less than this (common practice)."""


BUILDING_CLASS = 6
"""ASPRS LAS 1.4 R16, table 17."""
LEAST_CLASSED = 0.05


def fit_cloud(survey: Survey, config: PlanesConfig) -> Roof:
    """Faces of the chosen building of a cloud, with a label for every point.

    Points classed as building are looked at alone where they are a plausible share and show a roof; else all are.
    """
    classed = survey.classes == BUILDING_CLASS if survey.classes is not None else np.zeros(0, dtype=bool)
    if classed.any() and LEAST_CLASSED < classed.mean() < 1.0:
        roof = _fit(survey, config, classed)
        if roof.faces:
            return roof
    return _fit(survey, config, None)


def _fit(survey: Survey, config: PlanesConfig, only: Mask | None) -> Roof:
    points = survey.points_mm
    sample = _sampled(points, only)
    if np.isfinite(sample).all(axis=1).sum() < 20:
        return _nothing(survey, (), f"the scan holds {len(points)} points")
    grid = make_grid(sample)
    pieces, table = settle(grid, find_faces(grid, config.min_face_m2, config.min_angle_deg), config.min_face_m2)
    slopes = [config.min_pitch_deg <= _pitch(piece.fit) <= config.max_pitch_deg for piece in pieces]
    chosen, listed = _choose(grid, pieces, slopes, survey)
    pitched = [k for k in chosen if slopes[k]]
    if not pitched:
        return _nothing(survey, listed, _seen(grid, pieces, chosen))
    scan = Scan(grid, sample, grid.box.cells(sample), table, _renumber(table, pitched, len(pieces)))
    thin = thinned(scan, ROUGH)
    drafts = [first_draft(thin, k, pieces[piece].fit) for k, piece in enumerate(pitched)]
    small = find_overlooked(thin, drafts, LEAST_USED_M2, config)
    if small:
        scan = with_faces(scan, [own for own, _ in small])
        thin = thinned(scan, ROUGH)
        fits = [d.fit for d in drafts] + [fit for _, fit in small]
        drafts = alike([first_draft(thin, k, fit) for k, fit in enumerate(fits)])
    for turn in (thin, scan):
        drafts = refitted(turn, outlined(turn, drafts))
    drafts = [_clipped(draft, survey.footprint_mm) for draft in outlined(scan, drafts)]
    return _roof(survey, only, scan, drafts, listed, config)


def _clipped(draft: Draft, footprint: Polygon | None) -> Draft:
    """A face that runs on beyond the footprint, as along a row of houses, ends at it; eaves over the walls do not."""
    if footprint is None or draft.outline.is_empty:
        return draft
    ring, w = np.array(footprint.exterior.coords)[:, :2], draft.sheet.frame.axes[2]
    z = draft.sheet.frame.origin_mm[2] - (ring - draft.sheet.frame.origin_mm[:2]) @ w[:2] / w[2]
    limit = Polygon(survey_to_face(draft.sheet.frame, np.column_stack([ring, z]))[:, :2]).buffer(0)
    if draft.outline.difference(limit.buffer(OVERHANG_MM)).area < RUNS_ON_SHARE * draft.outline.area:
        return draft
    parts = draft.outline.intersection(limit)
    held = [g for g in getattr(parts, "geoms", [parts]) if isinstance(g, Polygon)]
    if not held:
        return replace(draft, outline=Polygon(), core=Polygon())
    return replace(draft, outline=orient(max(held, key=lambda g: g.area), 1.0), core=draft.core.intersection(limit))


def _choose(
    grid: Grid, pieces: list[CellFace], slopes: list[bool], survey: Survey
) -> tuple[list[int], tuple[Building, ...]]:
    """Indices of the pieces that make up the building to work on, and all buildings; one with a pitched face goes first."""
    if not pieces:
        return [], ()
    groups = buildings.group_buildings(grid, pieces, ~buildings.is_ground(grid, pieces))
    if not groups:
        return [], ()
    able = [k for k, group in enumerate(groups) if any(slopes[face] for face in group.faces)] or list(range(len(groups)))
    best = able[buildings.choose(grid, [groups[k] for k in able], survey.footprint_mm, survey.at_mm)]
    return list(groups[best].faces), buildings.listed(groups, best)


def _renumber(table: NDArray[np.int32], kept: list[int], count: int) -> NDArray[np.int32]:
    new = np.full(count + 1, -1, dtype=np.int32)
    new[kept] = np.arange(len(kept), dtype=np.int32)
    return new[table]


def _roof(
    survey: Survey, only: Mask | None, scan: Scan, drafts: list[Draft], listed: tuple[Building, ...], config: PlanesConfig
) -> Roof:
    """The faces as the model has them, largest first, and the label of every point."""
    big = [k for k, d in enumerate(drafts) if d.level is not None and d.outline.area / 1e6 >= config.min_face_m2]
    order = sorted(big, key=lambda k: -drafts[k].outline.area)
    if not order:
        return _nothing(survey, listed, "no face of that size is left")
    ids = ["" for _ in drafts]
    for place, k in enumerate(order):
        ids[k] = face_id(place)
    kept = [drafts[k] for k in order]
    labels = label(survey.points_mm, scan.grid, [d.sheet for d in kept], [d.core for d in kept])
    if only is not None:
        labels[~only] = -1
    sampled = _sampled(labels, only)
    faces = tuple(
        _face(scan.sample[sampled == place], int((labels == place).sum()), scan, draft, ids, face_id(place))
        for place, draft in enumerate(kept)
    )
    return Roof(faces, labels, listed, tuple(_unused(f) for f in faces if not f.used))


def face_id(place: int) -> str:
    """A, B … Z, AA, AB … for place 0, 1 …"""
    name, rest = "", place + 1
    while rest:
        rest, letter = divmod(rest - 1, 26)
        name = chr(ord("A") + letter) + name
    return name


def _sampled(values: NDArray[Any], only: Mask | None) -> NDArray[Any]:
    """Every how manieth of the values, of those flagged in `only`, that leaves SAMPLE or fewer."""
    count = len(values) if only is None else int(np.count_nonzero(only))
    every = max(-(-count // SAMPLE), 1)
    return values[::every] if only is None else values[::every][only[::every]]


def _face(own: Array, points: int, scan: Scan, draft: Draft, ids: list[str], name: str) -> Face:
    uvh, _ = near_points(scan, draft.sheet)
    obstacles = find_obstacles(uvh, draft.sheet.high, draft.outline, scan.step)
    known = [line for line in draft.lines if line.neighbour is not None and ids[line.neighbour]]
    edges = name_edges(draft.outline, known, ids, lambda a, b: _rises(uvh, a, b))
    height = survey_to_face(draft.sheet.frame, own)[:, 2]
    u, v = draft.outline.bounds[:2]
    area = float(draft.outline.area) / 1e6
    used = area >= LEAST_USED_M2
    assert draft.level is not None
    return Face(
        name, move_origin(draft.sheet.frame, u, v), affinity.translate(draft.outline, -u, -v),
        tuple(_shifted(e, u, v) for e in edges),
        tuple(replace(o, outline=affinity.translate(o.outline, -u, -v)) for o in obstacles),
        points, float(np.sqrt(np.mean(height**2))) if len(own) else 0.0, draft.level.covariance, used,
        "" if used else f"{area:.1f} m² is too small to carry modules by itself",
    )


def _shifted(edge: Edge, u: float, v: float) -> Edge:
    (a, b), (c, d) = edge.start_uv, edge.end_uv
    return replace(edge, start_uv=(a - u, b - v), end_uv=(c - u, d - v))


def _rises(uvh: Array, start: Array, end: Array) -> bool:
    """Whether something stands at least 250 mm above the face all along the outside of a side."""
    length = float(np.linalg.norm(end - start))
    run = (end - start) / max(length, 1e-9)
    offset = uvh[:, :2] - start
    along, out = offset @ run, offset @ np.array([run[1], -run[0]])
    beyond = (along > 0) & (along < length) & (out > 50.0) & (out < 500.0) & (uvh[:, 2] > 250.0)
    bins = max(int(length / 500.0), 1)
    hit = np.bincount(np.minimum((along[beyond] / length * bins).astype(int), bins - 1), minlength=bins)
    return bool((hit > 0).mean() > 0.7)


def _pitch(fit: PlaneFit) -> float:
    return float(np.degrees(np.arccos(np.clip(fit.normal[2], -1.0, 1.0))))


def _seen(grid: Grid, pieces: list[CellFace], chosen: list[int]) -> str:
    """What stands where a roof was looked for."""
    of = [pieces[k] for k in chosen] or pieces
    if not of:
        return "no plane was found"
    largest = max(of, key=lambda p: area_m2(grid, p))
    return f"the largest plane is {area_m2(grid, largest):.0f} m² at {_pitch(largest.fit):.1f}°"


def _nothing(survey: Survey, listed: tuple[Building, ...], seen: str) -> Roof:
    labels = np.full(len(survey.points_mm), -1, dtype=np.int16)
    return Roof((), labels, listed, (finding("no-roof", survey.name, f"No pitched roof face was found: {seen}."),))


def _unused(face: Face) -> Finding:
    text = f"Face {face.id} gets no modules: {face.note}."
    return finding("face-not-used", f"face {face.id}", text, face.area_m2, LEAST_USED_M2, "m²")
