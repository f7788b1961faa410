"""Marks, letters and layers of layout.dxf, used by its face views, its plan and its sheets."""

from __future__ import annotations

from typing import Any

from rowplane.deliverables.content import Mark, Point

LAYERS: dict[str, tuple[int, str]] = {
    "OUTLINE": (7, "CONTINUOUS"),
    "EDGE-EAVE": (5, "CONTINUOUS"),
    "EDGE-RIDGE": (1, "CONTINUOUS"),
    "EDGE-HIP": (1, "DASHED"),
    "EDGE-VALLEY": (5, "DASHED"),
    "EDGE-VERGE": (8, "CONTINUOUS"),
    "EDGE-STEP": (8, "DASHED"),
    "SETBACK": (3, "DASHED"),
    "OBSTACLE": (8, "CONTINUOUS"),
    "NOT-SUBSTRATE": (2, "DASHED"),
    "MODULE": (5, "CONTINUOUS"),
    "LINE": (4, "CONTINUOUS"),
    "RAIL": (8, "CONTINUOUS"),
    "SPLICE": (8, "CONTINUOUS"),
    "HOOK": (30, "CONTINUOUS"),
    "FOOT": (94, "CONTINUOUS"),
    "FOOT-MEASURE": (1, "CONTINUOUS"),
    "LABEL": (7, "CONTINUOUS"),
    "DIMENSION": (7, "CONTINUOUS"),
    "DATUM": (7, "CONTINUOUS"),
    "PLAN": (7, "CONTINUOUS"),
    "PLAN-MODULE": (5, "CONTINUOUS"),
    "PLAN-RAIL": (8, "CONTINUOUS"),
    "PLAN-HOOK": (30, "CONTINUOUS"),
    "PLAN-FOOT": (94, "CONTINUOUS"),
    "SHEET": (7, "CONTINUOUS"),
}
"""Layer name → colour index and line type."""

RENAMED = {"usable": "SETBACK", "patch": "NOT-SUBSTRATE"}
"""Marks whose layer says what the drawing shows of them."""

CAPITALS = 0.8
"""Height of capitals, which DXF text is measured by, over the letter size that labels are placed for; as wide as placed."""

SPOTS = {"PLAN-HOOK": 24.0, "PLAN-FOOT": 36.0}
"""Radius of what is a circle in plan, mm."""


def add_mark(space: Any, mark: Mark, shift: Point, layer: str = "") -> None:
    """One mark as a polyline, circle or text, moved by `shift`."""
    name = layer or RENAMED.get(mark.layer) or (f"EDGE-{mark.style.upper()}" if mark.layer == "edge" else mark.layer.upper())
    look = {"layer": name if name in LAYERS else "LABEL"}
    at = [moved(p, shift) for p in mark.points]
    if mark.shape == "label":
        add_text(space, mark.text, at[0], CAPITALS * mark.height, mark.turn)
    elif name in SPOTS:
        space.add_circle(at[0], SPOTS[name], dxfattribs=look)
    elif mark.shape == "spot":
        (x, y) = at[0]
        corners = [(x - 40, y - 12), (x + 40, y - 12), (x + 40, y + 12), (x - 40, y + 12)]
        space.add_lwpolyline(corners, close=True, dxfattribs=look)
    else:
        space.add_lwpolyline(at, close=mark.shape == "area", dxfattribs=look)
        for hole in mark.holes:
            space.add_lwpolyline([moved(p, shift) for p in hole], close=True, dxfattribs=look)


def add_text(
    space: Any, text: str, at: Point, height: float, turn: float = 0.0, align: str = "MIDDLE_CENTER", layer: str = "LABEL"
) -> None:
    """One line of text; what comes from outside can start no control code."""
    from ezdxf.enums import TextEntityAlignment

    look = {"layer": layer, "style": "LETTERS", "rotation": turn}
    space.add_text(safe_text(text), height=height, dxfattribs=look).set_placement(at, align=TextEntityAlignment[align])


def moved(point: Point, shift: Point) -> Point:
    """A point moved by a shift."""
    return point[0] + shift[0], point[1] + shift[1]


def safe_text(text: str) -> str:
    """%% starts a control code in DXF text."""
    return text.replace("%%", "% %")
