"""model.glb for any viewer, and model.html, which turns the same solids round in a browser without a network."""

from __future__ import annotations

import base64
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.deliverables.content import Files, Sheets
from rowplane.deliverables.html import script_hash, script_json, template
from rowplane.deliverables.lengths import Lengths, turns_text
from rowplane.deliverables.places import Places
from rowplane.deliverables.solids import Solid, build_solids
from rowplane.deliverables.words import MODEL_WORDS, WORDS
from rowplane.frames import azimuth_deg, face_to_survey
from rowplane.model import Array, RoofResult, Surface

SCRIPT = Path(__file__).parent / "templates" / "model.js"
OVER_MM = 6.0
"""Lines are drawn this much over the substrate, or they would sink into it."""
PIECE_MM = 400.0


def model_files(result: RoofResult, sheets: Sheets) -> Files:
    """model.html always (it says so where there is nothing to turn round); model.glb where there is a solid."""
    solids = build_solids(result)
    files: Files = {"model.html": model_html(result, sheets, solids)}
    if solids:
        files["model.glb"] = model_glb(solids)
    return files


def model_glb(solids: tuple[Solid, ...]) -> bytes:
    """Binary glTF 2.0 in metres, Y up as the format asks; faces stand with their deviation as it is."""
    import trimesh

    scene = trimesh.Scene()
    for solid in solids:
        metres = _y_up(solid.points_mm + solid.lift_mm[:, None] * solid.normal) / 1000
        mesh = trimesh.Trimesh(metres, solid.triangles, vertex_colors=_with_alpha(solid), process=False)
        scene.add_geometry(mesh, node_name=solid.name, geom_name=solid.name)
    return bytes(scene.export(file_type="glb"))


def _y_up(points: Array) -> Array:
    return np.column_stack([points[:, 0], points[:, 2], -points[:, 1]])


def _with_alpha(solid: Solid) -> Any:
    return np.column_stack([solid.colours, np.full(len(solid.colours), 255, dtype=np.uint8)])


def model_html(result: RoofResult, sheets: Sheets, solids: tuple[Solid, ...]) -> bytes:
    """One file; positions in metres from the middle of the roof, so that 32 bits are plenty."""
    script = SCRIPT.read_text(encoding="utf-8")
    corners = np.vstack([s.points_mm for s in solids]) if solids else np.zeros((1, 3))
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    values = {
        "solids": [_solid(s, middle) for s in solids],
        "feet": _feet(result, sheets, middle),
        "lines": [_lines(s, middle) for s in result.surfaces.surfaces if np.isfinite(s.own_mm).any()],
        "turn": _best_side(result),
        "words": {key: MODEL_WORDS[key] for key in ("foot", "foot_measure", "no_webgl")},
    }
    page = template("model.html.j2").render(
        sheets=sheets, w=WORDS, m=MODEL_WORDS, script=script, script_hash=script_hash(script), data=script_json(values),
        empty=not solids,
    )  # fmt: skip
    return str(page).encode("utf-8", "replace")


def _best_side(result: RoofResult) -> float:
    """The turn, rad, that shows the face with most modules a little from the side."""
    counts = {s.face.id: 0 for s in result.surfaces.surfaces}
    for array in result.layout.arrays:
        counts[array.face] = counts.get(array.face, 0) + len(array.modules)
    best = next((s.face for s in result.surfaces.surfaces if counts[s.face.id] == max(counts.values())), None)
    return 0.6 if best is None else round(math.pi - math.radians(azimuth_deg(best.frame)) + 0.35, 4)


def _solid(solid: Solid, middle: Array) -> dict[str, Any]:
    return {
        "name": solid.name,
        "kind": solid.kind,
        "points": _packed((solid.points_mm - middle) / 1000, "<f4"),
        "triangles": _packed(solid.triangles, "<u4"),
        "colours": _packed(solid.colours, "u1"),
        "lift": _packed(solid.lift_mm / 1000, "<f4"),
        "normal": [round(float(x), 6) for x in solid.normal],
    }


def _packed(values: Any, kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values).astype(kind).tobytes()).decode()


def _feet(result: RoofResult, sheets: Sheets, middle: Array) -> list[dict[str, Any]]:
    places, heights, length = Places(result), {s.foot: s for s in sheets.stops}, Lengths(sheets.units)
    feet = []
    for foot, setting in places.set_feet():
        at = places.survey_xyz_mm(foot.face, foot.u_mm, foot.v_mm, setting.rail_height_mm + setting.lift_mm)
        stop = heights[foot.id]
        feet.append(
            {
                "id": foot.id,
                "at": [round((a - m) / 1000, 4) for a, m in zip(at, middle, strict=True)],
                "height": length.with_unit(stop.height_mm),
                "turns": turns_text(stop.turns),
                "trust": stop.trust,
            }
        )
    return feet


def _lines(surface: Surface, middle: Array) -> dict[str, Any]:
    """Outline of a face and nose lines of its courses, which hint at the tiles: pairs of ends lying on the substrate."""
    pieces = [*_outline(surface), *_noses(surface)]
    uv = np.vstack(pieces) if pieces else np.zeros((0, 2))
    points = face_to_survey(surface.face.frame, np.column_stack([uv, np.full(len(uv), OVER_MM)]))
    return {
        "points": _packed((points - middle) / 1000, "<f4"),
        "lift": _packed(_deviation(surface, uv) / 1000, "<f4"),
        "normal": [round(float(x), 6) for x in surface.face.frame.axes[2]],
    }


def _outline(surface: Surface) -> list[Array]:
    ring = np.asarray(surface.face.outline.exterior.coords, dtype=float)[:, :2]
    return [_pairs(a, b) for a, b in pairwise(ring)]


def _noses(surface: Surface) -> list[Array]:
    from shapely.geometry import LineString, MultiLineString

    pattern, outline = surface.pattern, surface.face.outline
    if pattern is None or outline.is_empty:
        return []
    pieces: list[Array] = []
    left, low, right, top = outline.bounds
    first = int((low - pattern.nose_phase_mm) // pattern.gauge_mm)
    last = int((top - pattern.nose_phase_mm) // pattern.gauge_mm) + 2
    for course in range(first, last + 1):
        cut = outline.intersection(LineString([(u, float(pattern.nose_mm(course, u))) for u in (left, right)]))
        for part in cut.geoms if isinstance(cut, MultiLineString) else [cut]:
            if isinstance(part, LineString) and not part.is_empty:
                pieces.append(_pairs(np.array(part.coords[0]), np.array(part.coords[-1])))
    return pieces


def _pairs(start: Array, end: Array) -> Array:
    """A line as pairs of ends about `PIECE_MM` apart, so that it follows the substrate."""
    count = max(1, math.ceil(float(np.hypot(*(end - start))) / PIECE_MM))
    at = start + np.linspace(0, 1, count + 1)[:, None] * (end - start)
    return np.repeat(at, 2, axis=0)[1:-1]


def _deviation(surface: Surface, uv: Array) -> Array:
    """The raster's deviation in the cell of each place, mm; 0 where it was not seen."""
    rows, columns = surface.own_mm.shape
    cell = np.rint((uv - surface.raster_uv_mm) / surface.raster_step_mm).astype(int)
    row, column = np.clip(cell[:, 1], 0, rows - 1), np.clip(cell[:, 0], 0, columns - 1)
    return np.asarray(np.nan_to_num(surface.own_mm[row, column]))
