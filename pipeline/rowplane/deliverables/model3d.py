"""model.glb for any viewer, and model.html, which turns the same solids round in a browser without a network."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.deliverables.content import Files, Sheets
from rowplane.deliverables.html import script_hash, script_json, template
from rowplane.deliverables.places import Places
from rowplane.deliverables.solids import Solid, build_solids
from rowplane.model import Array, RoofResult

SCRIPT = Path(__file__).parent / "templates" / "model.js"


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
    middle = np.vstack([s.points_mm for s in solids]).mean(axis=0) if solids else np.zeros(3)
    values = {
        "solids": [_solid(s, middle) for s in solids],
        "feet": _feet(result, sheets, middle),
        "units": sheets.units,
        "lines": _course_lines(result, middle),
    }
    page = template("model.html.j2").render(
        sheets=sheets, script=script, script_hash=script_hash(script), data=script_json(values), empty=not solids
    )
    return str(page).encode("utf-8", "replace")


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
    places, heights = Places(result), {s.foot: s for s in sheets.stops}
    feet = []
    for foot, setting in places.set_feet():
        at = places.survey_xyz_mm(foot.face, foot.u_mm, foot.v_mm, setting.rail_height_mm + setting.lift_mm)
        stop = heights[foot.id]
        feet.append(
            {
                "id": foot.id,
                "at": [round((a - m) / 1000, 4) for a, m in zip(at, middle, strict=True)],
                "height": stop.height_mm,
                "turns": stop.turns,
                "trust": stop.trust,
            }
        )
    return feet


def _course_lines(result: RoofResult, middle: Array) -> str:
    """Nose lines of the courses, which hint at the tiles: pairs of ends, metres."""
    from shapely.geometry import LineString, MultiLineString

    from rowplane.frames import face_to_survey

    ends: list[Array] = []
    for surface in result.surfaces.surfaces:
        pattern, outline = surface.pattern, surface.face.outline
        if pattern is None or outline.is_empty:
            continue
        left, low, right, top = outline.bounds
        first = int((low - pattern.nose_phase_mm) // pattern.gauge_mm)
        last = int((top - pattern.nose_phase_mm) // pattern.gauge_mm) + 2
        for course in range(first, last + 1):
            cut = outline.intersection(LineString([(u, float(pattern.nose_mm(course, u))) for u in (left, right)]))
            for part in cut.geoms if isinstance(cut, MultiLineString) else [cut]:
                if isinstance(part, LineString) and not part.is_empty:
                    uv = np.array([part.coords[0], part.coords[-1]])
                    ends.append(face_to_survey(surface.face.frame, np.column_stack([uv, np.full(2, 4.0)])))
    return _packed((np.vstack(ends) - middle) / 1000 if ends else np.zeros((0, 3)), "<f4")
