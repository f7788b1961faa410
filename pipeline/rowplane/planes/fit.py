"""From a cloud to the faces of one building, step by step."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import Polygon

from rowplane.config import PlanesConfig
from rowplane.findings import finding
from rowplane.frames import face_frame, face_to_survey, move_origin, survey_to_face
from rowplane.geometry import PlaneFit
from rowplane.model import Array, Building, Edge, Face, FaceFrame, Finding, Roof, Survey
from rowplane.planes import buildings
from rowplane.planes.clean import own_points
from rowplane.planes.contacts import Contact, find_contacts
from rowplane.planes.edges import name_edges
from rowplane.planes.grid import Grid, make_grid
from rowplane.planes.labels import Sheet, label, make_sheet, with_scatter
from rowplane.planes.obstacles import find_obstacles
from rowplane.planes.outline import Line, draw_outline
from rowplane.planes.refine import Level, fit_level
from rowplane.planes.segment import CellFace, area_m2, find_faces, settle

SAMPLE = 1_500_000
"""Points that planes and outlines are worked out from; only the labels need every point of a larger scan."""
LEAST_USED_M2 = 4.0


@dataclass(frozen=True)
class Draft:
    """A face while it takes shape: `own` `(size,)` its grid cells, its sheet, outline and edges in the sheet's frame."""

    own: NDArray[np.bool_]
    fit: PlaneFit
    sheet: Sheet
    outline: Polygon
    edges: tuple[Edge, ...] = ()
    level: Level | None = None


def fit_cloud(survey: Survey, config: PlanesConfig) -> Roof:
    """Faces of the chosen building of a cloud, with a label for every point."""
    points = survey.points_mm
    nothing = np.full(len(points), -1, dtype=np.int16)
    sample = points[:: -(-len(points) // SAMPLE)] if len(points) > SAMPLE else points
    if np.isfinite(sample).all(axis=1).sum() < 20:
        return Roof((), nothing, (), (_no_roof(survey.name, f"the scan holds {len(points)} points"),))
    grid = make_grid(sample)
    pieces, table = settle(grid, find_faces(grid, config.min_face_m2, config.min_angle_deg), config.min_face_m2)
    chosen, listed = _choose(grid, pieces, survey)
    pitched = [k for k in chosen if config.min_pitch_deg <= _pitch(pieces[k].fit) <= config.max_pitch_deg]
    if not pitched:
        return Roof((), nothing, listed, (_no_roof(survey.name, _seen(grid, pieces, chosen)),))
    owner = _renumber(table, pitched, len(pieces))
    drafts = _first_drafts(grid, sample, [pieces[k] for k in pitched], owner)
    for _ in range(2):
        drafts = _improve(grid, sample, drafts, owner)
    return _roof(points, sample, grid, drafts, owner, listed, config, survey.name)


def _choose(grid: Grid, pieces: list[CellFace], survey: Survey) -> tuple[list[int], tuple[Building, ...]]:
    """Indices of the pieces that make up the building to work on, and all buildings."""
    if not pieces:
        return [], ()
    roof = ~buildings.is_ground(grid, pieces)
    groups = buildings.group_buildings(grid, pieces, roof)
    if not groups:
        return [], ()
    best = buildings.choose(grid, groups, survey.footprint_mm)
    return list(groups[best].faces), buildings.listed(groups, best)


def _renumber(table: NDArray[np.int32], kept: list[int], count: int) -> NDArray[np.int32]:
    new = np.full(count + 1, -1, dtype=np.int32)
    new[kept] = np.arange(len(kept), dtype=np.int32)
    return new[table]


def _first_drafts(grid: Grid, sample: Array, pieces: list[CellFace], owner: NDArray[np.int32]) -> list[Draft]:
    cells = grid.box.cells(sample)
    drafts = []
    for k, piece in enumerate(pieces):
        own = owner == k
        sheet = with_scatter(make_sheet(grid, own, piece.fit), sample, cells, own)
        drafts.append(Draft(own, piece.fit, sheet, Polygon()))
    return drafts


def _improve(grid: Grid, sample: Array, drafts: list[Draft], owner: NDArray[np.int32]) -> list[Draft]:
    """Label, outline, clean and refit every face once."""
    sheets = [d.sheet for d in drafts]
    labels = label(sample, grid, sheets)
    contacts = find_contacts(grid.box, owner, [d.fit for d in drafts])
    cells = grid.box.cells(sample)
    ids = [str(k) for k in range(len(drafts))]
    better = []
    for k, draft in enumerate(drafts):
        near = np.nonzero((cells >= 0) & draft.sheet.zone[cells])[0]
        uvw = survey_to_face(draft.sheet.frame, sample[near])
        mine = labels[near] == k
        lines = _contact_lines(contacts, k, draft.sheet.frame, grid)
        try:
            outline, _ = draw_outline(uvw[mine, :2], _step(grid), lines)
        except ValueError:
            better.append(draft)
            continue
        edges = name_edges(outline, lines, ids, lambda a, b: False)
        height = draft.sheet.height(sample[near], cells[near])
        inside = shapely.contains_xy(outline, uvw[:, 0], uvw[:, 1])
        sound = inside & (np.abs(height) < 300.0)
        sound[sound] = own_points(uvw[sound, :2], height[sound], edges)
        level = fit_level(uvw[sound & mine])
        fit = _tilted(draft.sheet.frame, level, grid)
        sheet = with_scatter(make_sheet(grid, draft.own, fit), sample, cells, draft.own)
        better.append(Draft(draft.own, fit, sheet, _carried(outline, draft.sheet.frame, sheet.frame), (), level))
    return better


def _step(grid: Grid) -> float:
    """Cell of the outline's raster: two point spacings, so that nearly every cell of the face holds a point."""
    return float(np.clip(2.2 * grid.spacing_mm, 60.0, 900.0))


def _contact_lines(contacts: list[Contact], face: int, frame: FaceFrame, grid: Grid) -> list[Line]:
    lines = []
    for c in contacts:
        if face not in (c.first, c.second):
            continue
        a, b = survey_to_face(frame, np.array([c.start, c.end]) + grid.box.low)[:, :2]
        run = (b - a) / np.linalg.norm(b - a)
        normal = np.array([run[1], -run[0]])
        span = sorted((float(a @ run), float(b @ run)))
        lines.append(Line(normal, float(a @ normal), (span[0], span[1]), c.kind, c.second if face == c.first else c.first))
    return lines


def _tilted(frame: FaceFrame, level: Level, grid: Grid) -> PlaneFit:
    """The plane that `level` describes in a face frame, about the grid's low corner."""
    centre = face_to_survey(frame, np.array([[*level.centre, level.height]]))[0]
    normal = frame.axes.T @ np.array([-level.slope[0], -level.slope[1], 1.0])
    normal = normal / np.linalg.norm(normal)
    fit = face_frame(centre, normal)
    return PlaneFit(centre - grid.box.low, normal, fit.axes[:2], 0.0, level.covariance[:2, :2])


def _carried(outline: Polygon, old: FaceFrame, new: FaceFrame) -> Polygon:
    """An outline from one frame of nearly the same plane into another, dropped square onto the plane."""
    ring = np.array(outline.exterior.coords)
    space = face_to_survey(old, np.column_stack([ring, np.zeros(len(ring))]))
    return Polygon(survey_to_face(new, space)[:, :2])


def _roof(
    points: Array, sample: Array, grid: Grid, drafts: list[Draft], owner: NDArray[np.int32],
    listed: tuple[Building, ...], config: PlanesConfig, name: str,
) -> Roof:
    """Final outlines on the final planes, labels of every point, and the faces as the model has them."""
    labels = label(sample, grid, [d.sheet for d in drafts])
    contacts = find_contacts(grid.box, owner, [d.fit for d in drafts])
    outlined: list[tuple[Draft, list[Line]]] = []
    for k, draft in enumerate(drafts):
        mine = labels == k
        lines = _contact_lines(contacts, k, draft.sheet.frame, grid)
        if mine.sum() < 6 or draft.level is None:
            outlined.append((replace(draft, outline=Polygon()), lines))
            continue
        uv = survey_to_face(draft.sheet.frame, sample[mine])[:, :2]
        try:
            outline, _ = draw_outline(uv, _step(grid), lines)
        except ValueError:
            outline = Polygon()
        outlined.append((replace(draft, outline=outline), lines))
    order = sorted(
        (k for k in range(len(drafts)) if outlined[k][0].outline.area / 1e6 >= config.min_face_m2),
        key=lambda k: -outlined[k][0].outline.area,
    )
    if not order:
        return Roof((), np.full(len(points), -1, dtype=np.int16), listed, (_no_roof(name, "no face of that size is left"),))
    ids = ["" for _ in drafts]
    for place, k in enumerate(order):
        ids[k] = face_id(place)
    kept = [outlined[k][0] for k in order]
    final = label(points, grid, [d.sheet for d in kept], [d.outline for d in kept])
    faces = tuple(
        _face(points, final == place, sample, grid, outlined[k][0], outlined[k][1], ids, ids[k])
        for place, k in enumerate(order)
    )
    return Roof(faces, final, listed, tuple(_unused(f) for f in faces if not f.used))


def face_id(place: int) -> str:
    """A, B … Z, AA, AB … for place 0, 1 …"""
    name = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def _face(
    points: Array, own: NDArray[np.bool_], sample: Array, grid: Grid, draft: Draft, lines: list[Line], ids: list[str], name: str
) -> Face:
    cells = grid.box.cells(sample)
    near = (cells >= 0) & draft.sheet.zone[cells]
    uvw = survey_to_face(draft.sheet.frame, sample[near])
    height = draft.sheet.height(sample[near], cells[near])
    over = np.column_stack([uvw[:, :2], height])
    obstacles = find_obstacles(over, draft.sheet.high, draft.outline, _step(grid))
    known = [line for line in lines if line.neighbour is not None and ids[line.neighbour]]
    edges = name_edges(draft.outline, known, ids, lambda a, b: _rises(over, a, b))
    mine = survey_to_face(draft.sheet.frame, points[own])[:, 2]
    rms = float(np.sqrt(np.mean(mine**2))) if len(mine) else 0.0
    u, v = draft.outline.bounds[:2]
    frame = move_origin(draft.sheet.frame, u, v)
    area = float(draft.outline.area) / 1e6
    used = area >= LEAST_USED_M2
    return Face(
        name, frame, affinity.translate(draft.outline, -u, -v), tuple(_shifted(e, u, v) for e in edges),
        tuple(replace(o, outline=affinity.translate(o.outline, -u, -v)) for o in obstacles),
        int(own.sum()), rms, draft.level.covariance if draft.level else np.eye(3), used,
        "" if used else f"{area:.1f} m² is too small to carry modules by itself",
    )


def _shifted(edge: Edge, u: float, v: float) -> Edge:
    (a, b), (c, d) = edge.start_uv, edge.end_uv
    return replace(edge, start_uv=(a - u, b - v), end_uv=(c - u, d - v))


def _rises(over: Array, start: Array, end: Array) -> bool:
    """Whether something stands at least 250 mm above the face all along the outside of a side."""
    length = float(np.linalg.norm(end - start))
    run = (end - start) / max(length, 1e-9)
    offset = over[:, :2] - start
    along, out = offset @ run, offset @ np.array([run[1], -run[0]])
    beyond = (along > 0) & (along < length) & (out > 50.0) & (out < 500.0) & (over[:, 2] > 250.0)
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


def _no_roof(name: str, seen: str) -> Finding:
    return finding("no-roof", name, f"No pitched roof face was found: {seen}.")


def _unused(face: Face) -> Finding:
    return finding("face-not-used", f"face {face.id}", f"Face {face.id} gets no modules: {face.note}.", face.area_m2, LEAST_USED_M2, "m²")
