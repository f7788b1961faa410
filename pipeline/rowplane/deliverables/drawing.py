"""The drawing of each face, built once in u, v, mm: every picture and drawing file renders these marks."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from rowplane.deliverables.content import FaceDrawing, Layer, Mark, Point
from rowplane.deliverables.lettering import Lettering
from rowplane.deliverables.words import WORDS, compass, count, say
from rowplane.frames import azimuth_deg, pitch_deg
from rowplane.model import Edge, Face, ModuleArray, RoofResult, Surface

LETTER_MM = 110.0
"""Height of ids on the roof; at 1:50 that is 1.9 mm, on a phone it is zoomed."""


def build_drawings(result: RoofResult) -> tuple[FaceDrawing, ...]:
    """One drawing per face of the chosen building, worked on or not, in the roof's order."""
    surfaces = {s.face.id: s for s in result.surfaces.surfaces}
    return tuple(_draw(result, face, surfaces.get(face.id)) for face in result.roof.faces if not face.outline.is_empty)


def north_on_page_deg(azimuth: float) -> float:
    """Turn from page-up to north, clockwise, on a face seen with its eave at the bottom: page-up looks up the slope."""
    return (180.0 - azimuth) % 360.0


def _draw(result: RoofResult, rough: Face, surface: Surface | None) -> FaceDrawing:
    face = surface.face if surface else rough
    lettering = Lettering(LETTER_MM)
    marks = _ground(result, face, surface)
    arrays = [a for a in result.layout.arrays if a.face == face.id]
    for array in arrays:
        marks += _modules(array) + _supports(result, array, lettering)
    marks += _edge_names(face, lettering)
    for array in arrays:
        marks += _module_names(array, lettering)
    azimuth, modules = azimuth_deg(face.frame), sum(len(a.modules) for a in arrays)
    title = say(
        "face_title",
        face=face.id,
        pitch=f"{pitch_deg(face.frame):.1f}",
        azimuth=f"{azimuth:.0f}",
        compass=compass(azimuth),
        area=f"{face.area_m2:.1f}",
    )
    note = count("module", modules) if modules else (face.note or WORDS["no_modules"])
    if surface:
        note = say("datum_at", note=note, datum=surface.datum_note)
    return FaceDrawing(face.id, title, note, north_on_page_deg(azimuth), _bounds(marks), tuple(marks))


def _bounds(marks: list[Mark]) -> tuple[float, float, float, float]:
    points = [p for m in marks if m.shape != "label" for p in m.points]
    us, vs = [p[0] for p in points], [p[1] for p in points]
    return min(us), min(vs), max(us), max(vs)


def areas(layer: Layer, shape: BaseGeometry, style: str = "", name: str = "") -> list[Mark]:
    """Marks of a polygon or several; anything else, or empty, gives none."""
    parts = list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]
    return [
        Mark(layer, "area", ring(p.exterior.coords), name, style, holes=tuple(ring(h.coords) for h in p.interiors))
        for p in parts
        if isinstance(p, Polygon) and not p.is_empty
    ]


def ring(coords: Iterable[Any]) -> tuple[Point, ...]:
    """Points of a closed ring, the last not repeated."""
    points = tuple((float(c[0]), float(c[1])) for c in coords)
    return points[:-1] if len(points) > 1 and points[0] == points[-1] else points


def _ground(result: RoofResult, face: Face, surface: Surface | None) -> list[Mark]:
    marks = areas("outline", face.outline, name=face.id)
    for face_id, usable in result.layout.usable:
        if face_id == face.id:
            marks += areas("usable", usable)
    for k, obstacle in enumerate(face.obstacles, 1):
        marks += areas("obstacle", obstacle.outline, obstacle.kind, f"{face.id}-{obstacle.kind}-{k}")
    for patch in surface.patches if surface else ():
        marks += areas("patch", patch.outline, patch.kind)
    marks += [Mark("edge", "path", (e.start_uv, e.end_uv), style=e.kind) for e in face.edges]
    return marks


def _modules(array: ModuleArray) -> list[Mark]:
    marks = []
    for module in array.modules:
        left, front, right, top = module.rect_mm
        corners = ((left, front), (right, front), (right, top), (left, top))
        marks.append(Mark("module", "area", corners, module.id, array.orientation))
    for line in array.lines:
        marks += [Mark("line", "path", ((a, line.v_mm), (b, line.v_mm)), f"{array.id}-{line.index}") for a, b in line.runs]
    return marks


def _supports(result: RoofResult, array: ModuleArray, lettering: Lettering) -> list[Mark]:
    marks: list[Mark] = []
    rails = [r for r in result.plan.rails if r.array == array.id]
    rail_u = {r.id: r.u_mm for r in rails}
    trusts = {f.foot: f.trust for f in result.levels.feet}
    for rail in rails:
        marks.append(Mark("rail", "path", ((rail.u_mm, rail.v_start_mm), (rail.u_mm, rail.v_end_mm)), rail.id))
        marks += [Mark("splice", "spot", ((rail.u_mm, v),), f"{rail.id}-splice") for v in rail.splices_mm]
    hooks = [h for h in result.plan.hooks if h.rail in rail_u]
    feet = [f for f in result.plan.feet if f.array == array.id]
    marks += [Mark("hook", "spot", ((h.u_mm, h.v_mm),), h.id, "find" if h.find_rafter else "") for h in hooks]
    marks += [Mark("foot", "spot", ((f.u_mm, f.v_mm),), f.id, trusts.get(f.id, "measure")) for f in feet]
    for mark in (*marks, *_modules(array)):
        if mark.layer in ("rail", "module"):
            for start, end in zip(mark.points, mark.points[1:] + mark.points[: 1 if mark.shape == "area" else 0], strict=False):
                lettering.avoid(start, end)
    for u, v in [(h.u_mm, h.v_mm) for h in hooks] + [(f.u_mm, f.v_mm) for f in feet]:
        lettering.keep_clear(u, v, 45.0)
    for rail in rails:
        marks += lettering.beside("rail", rail.id, (rail.u_mm, rail.v_start_mm), prefer="below")
    for foot in feet:
        marks += lettering.beside("foot", foot.id, (foot.u_mm, foot.v_mm))
    for hook in hooks:
        marks += lettering.beside(
            "hook", hook.id.removeprefix(f"{hook.rail}-"), (hook.u_mm, hook.v_mm), prefer="left", name=hook.id
        )
    return marks


def _module_names(array: ModuleArray, lettering: Lettering) -> list[Mark]:
    marks: list[Mark] = []
    for module in array.modules:
        left, front, right, top = module.rect_mm
        inside = (left + 40, front + 40, right - 40, top - 40)
        marks += lettering.within("module", module.id.removeprefix(f"{array.id}-"), inside, name=module.id)
    return marks


def _edge_names(face: Face, lettering: Lettering) -> list[Mark]:
    marks: list[Mark] = []
    for edge in sorted(face.edges, key=_minus_length):
        if _minus_length(edge) < -600:
            kind = WORDS[edge.kind]
            text = say("edge_to", edge=kind, face=edge.neighbour) if edge.neighbour else kind
            marks += lettering.along("edge", text, edge.start_uv, edge.end_uv)
    return marks


def _minus_length(edge: Edge) -> float:
    return -math.dist(edge.start_uv, edge.end_uv)
