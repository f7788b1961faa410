"""Faces while they take shape: sheets, outlines and refits in turn until planes and edges agree."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from rowplane.frames import face_frame, face_to_survey, survey_to_face
from rowplane.geometry import PlaneFit
from rowplane.model import Array, Edge, FaceFrame
from rowplane.planes.clean import SURE, UNSEEN_MM, Beside, beside, core, edge_strips, usual_strips
from rowplane.planes.contacts import Contact, find_contacts
from rowplane.planes.edges import name_edges
from rowplane.planes.grid import Grid
from rowplane.planes.labels import Sheet, label, make_sheet, with_scatter
from rowplane.planes.outline import draw_outline
from rowplane.planes.raster import Line
from rowplane.planes.refine import Level, fit_level

Mask = NDArray[np.bool_]
REACH_MM = 300.0
"""Points further than this from a sheet say nothing about where the face ends."""
HIDES_MM = 200.0
MOST_UNALIKE = 1.3
"""How much further than on most of the roof the points of one face may stand off its sheet."""


@dataclass(frozen=True)
class Scan:
    """What all faces are worked out from: `sample` `(n, 3)` survey points in `cells` `(n,)` of the grid.

    `piece` `(size,)` is the planar piece that owns a cell, `owner` `(size,)` the face of the chosen building; −1 none.
    The sample is one in `every` of the grid's points.
    """

    grid: Grid
    sample: Array
    cells: NDArray[np.int32]
    piece: NDArray[np.int32]
    owner: NDArray[np.int32]
    every: int = 1

    @property
    def step(self) -> float:
        """Cell of outline rasters: two point spacings, so that nearly every cell holds a point; finer where that is coarse."""
        spacing = self.grid.spacing_mm * float(np.sqrt(self.every))
        return float(np.clip(2.2 * spacing, 60.0, max(2.2 * spacing, 330.0)))


def thinned(scan: Scan, most: int) -> Scan:
    """The scan with an even part of its sample, `most` points or fewer."""
    every = max(-(-len(scan.sample) // most), 1)
    return replace(scan, sample=scan.sample[::every], cells=scan.cells[::every], every=every)


@dataclass(frozen=True)
class Draft:
    """A face in the making: outline, `core` (outline without foreign edge strips) and edges in the sheet's frame.

    `firm` is the core without strips that few points leave in doubt, which say nothing about the plane.
    `verges` `(2, 3)` are those of the last outline in the survey frame, kept through a refit as hints to faces across.
    """

    own: Mask
    fit: PlaneFit
    sheet: Sheet
    level: Level | None = None
    lines: tuple[Line, ...] = ()
    outline: Polygon = field(default_factory=Polygon)
    core: BaseGeometry = field(default_factory=Polygon)
    firm: BaseGeometry = field(default_factory=Polygon)
    edges: tuple[Edge, ...] = ()
    verges: tuple[Array, ...] = ()


def first_draft(scan: Scan, face: int, fit: PlaneFit) -> Draft:
    """A face as its cells' plane and its sheet."""
    own = scan.owner == face
    return Draft(own, fit, with_scatter(make_sheet(scan.grid, own, fit), scan.sample, scan.cells, own))


def alike(drafts: list[Draft]) -> list[Draft]:
    """The drafts with the bounds of each sheet held near those of most of the roof: it carries the same tiles everywhere.

    Cells of a small face hold gutters and walls besides, which would widen its bounds until they are its own.
    """
    order = sorted(range(len(drafts)), key=lambda k: drafts[k].sheet.high - drafts[k].sheet.low)
    size = np.cumsum([int(drafts[k].own.sum()) for k in order])
    usual = drafts[order[int(np.searchsorted(size, 0.5 * size[-1]))]].sheet
    low, high = MOST_UNALIKE * usual.low, MOST_UNALIKE * usual.high
    return [replace(d, sheet=replace(d.sheet, low=max(d.sheet.low, low), high=min(d.sheet.high, high))) for d in drafts]


def outlined(scan: Scan, drafts: list[Draft]) -> list[Draft]:
    """The drafts with outlines drawn from their labelled points and from where their planes meet."""
    labels = label(scan.sample, scan.grid, [d.sheet for d in drafts])
    contacts = find_contacts(scan.grid.box, scan.owner, [d.fit for d in drafts])
    hints = [_hints(drafts, k, contacts) for k in range(len(drafts))]
    drawn = [_outlined(scan, d, k, labels, contacts, hints[k]) for k, d in enumerate(drafts)]
    usual = usual_strips([e for d, _ in drawn for e in d.edges], [side for _, sides in drawn for side in sides])
    return [_cut(d, sides, usual) for d, sides in drawn]


def _cut(draft: Draft, sides: tuple[Beside, ...], usual: dict[str, float]) -> Draft:
    """The draft without its edge strips; `usual` depths are those of all edges of a kind on the roof.

    Where few points leave a strip in doubt, labels go by the usual depth, and the plane does without what may be one.
    """
    seen, safe = [], []
    for edge, side, cut in zip(draft.edges, sides, edge_strips(sides), strict=True):
        others = usual.get(edge.kind, 0.0)
        seen.append(others if cut is None else cut)
        known = UNSEEN_MM.get(edge.kind, 0.0) if cut is None else cut
        safe.append(max(known, others) if len(side.away) < SURE else known)
    return replace(draft, core=core(draft.outline, draft.edges, seen), firm=core(draft.outline, draft.edges, safe))


def _hints(drafts: list[Draft], face: int, contacts: list[Contact]) -> list[Line]:
    """Verges of the faces across a ridge, carried over in plan: a gable end is one upright plane."""
    frame, found = drafts[face].sheet.frame, []
    across = {c.second if c.first == face else c.first for c in contacts if face in (c.first, c.second) and c.kind == "ridge"}
    for other in (drafts[k] for k in sorted(across)):
        for verge in other.verges:
            plan, w = verge.copy(), frame.axes[2]
            plan[:, 2] = frame.origin_mm[2] - (plan[:, :2] - frame.origin_mm[:2]) @ w[:2] / w[2]
            a, b = survey_to_face(frame, plan)[:, :2]
            run = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
            if abs(run[1]) > 0.98:
                normal = np.array([run[1], -run[0]])
                ends = sorted((float(a @ run), float(b @ run)))
                found.append(Line(normal, float(a @ normal), (ends[0], ends[1])))
    return found


def _outlined(
    scan: Scan, draft: Draft, face: int, labels: NDArray[np.int16], contacts: list[Contact], hints: list[Line]
) -> tuple[Draft, tuple[Beside, ...]]:
    uvh, index = near_points(scan, draft.sheet)
    close = np.abs(uvh[:, 2]) < REACH_MM
    uvh, owner = uvh[close], labels[index[close]]
    lines = _contact_lines(contacts, face, draft.sheet.frame, scan.grid)
    if (owner == face).sum() < 6:
        return replace(draft, outline=Polygon(), edges=()), ()
    try:
        outline = draw_outline(uvh, owner, face, scan.step, lines, hints, lambda uv: _hides(scan, draft.sheet, uv))
    except ValueError:
        return replace(draft, outline=Polygon(), edges=()), ()
    edges = name_edges(outline, lines, None, lambda a, b: False)
    inside = shapely.contains_xy(outline, uvh[:, 0], uvh[:, 1])
    return replace(draft, lines=tuple(lines), outline=outline, edges=edges), beside(uvh[inside], edges)


def near_points(scan: Scan, sheet: Sheet) -> tuple[Array, NDArray[np.int64]]:
    """Sample points in a sheet's zone as `(n, 3)` u, v, height over the sheet, mm, with their index in the sample."""
    index = np.nonzero((scan.cells >= 0) & sheet.zone[scan.cells])[0]
    uvw = survey_to_face(sheet.frame, scan.sample[index])
    uvw[:, 2] -= sheet.sag[scan.cells[index]]
    return uvw, index


def _hides(scan: Scan, sheet: Sheet, uv: Array) -> Mask:
    """Places on a sheet over which something that is no plane stands: a tree, an aerial, a chimney."""
    space = face_to_survey(sheet.frame, np.column_stack([uv, np.zeros(len(uv))]))
    cells = scan.grid.box.cells(space)
    count = scan.grid.moments[0, cells]
    top = scan.grid.moments[3, cells] / np.maximum(count, 1) + scan.grid.box.low[2]
    over = (top - space[:, 2]) * sheet.frame.axes[2, 2]
    return np.asarray((cells >= 0) & (count > 0) & (over > HIDES_MM) & (scan.piece[cells] < 0))


def refitted(scan: Scan, drafts: list[Draft]) -> list[Draft]:
    """The drafts with their planes refitted to the labelled points of their cores."""
    labels = label(scan.sample, scan.grid, [d.sheet for d in drafts], [d.firm for d in drafts])
    better = []
    for k, draft in enumerate(drafts):
        mine = labels == k
        if mine.sum() < 6:
            better.append(draft)
            continue
        try:
            level = fit_level(survey_to_face(draft.sheet.frame, scan.sample[mine]), scan.step)
        except ValueError:
            better.append(replace(draft, level=None))
            continue
        fit = _tilted(draft.sheet.frame, level, scan.grid)
        sheet = with_scatter(make_sheet(scan.grid, draft.own, fit), scan.sample, scan.cells, draft.own)
        verges = tuple(
            face_to_survey(draft.sheet.frame, np.array([[*e.start_uv, 0.0], [*e.end_uv, 0.0]]))
            for e in draft.edges if e.kind == "verge"
        )
        better.append(Draft(draft.own, fit, sheet, level, verges=verges))
    return alike(better)


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
    turned = face_frame(centre, normal)
    return PlaneFit(centre - grid.box.low, turned.axes[2], turned.axes[:2], 0.0, level.covariance[:2, :2])
