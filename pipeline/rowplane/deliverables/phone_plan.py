"""The plan on the phone page: what a thumb taps, in letters that can be read at arm's length in the sun."""

from __future__ import annotations

from html import escape
from itertools import pairwise

from rowplane.deliverables.content import FaceDrawing, Mark, Point
from rowplane.deliverables.lettering import Lettering
from rowplane.deliverables.svg import mark_svg, svg_document

PIXELS_PER_MM = 0.085
"""Feet 600 mm apart are 51 px apart, more than a 48 px target."""
LETTER_MM = 165.0
FOOT_MM = 85.0
LAYERS = ("outline", "obstacle", "edge", "module", "rail", "foot")
MARGIN_MM = 350.0
BELOW_MM = 350.0


def phone_plan(drawing: FaceDrawing) -> str:
    """SVG without own styles of one face: outline, obstacles, modules, rails, and feet by their ids."""
    left, low, right, top = drawing.bounds
    wide, high = right - left + 2 * MARGIN_MM, top - low + MARGIN_MM + BELOW_MM

    def place(p: Point) -> Point:
        return MARGIN_MM + p[0] - left, MARGIN_MM + top - p[1]

    marks = [m for m in drawing.marks if m.shape != "label" and m.layer in LAYERS]
    bodies = [_foot(m, place(m.points[0])) if m.layer == "foot" else mark_svg(m, place) for m in marks]
    letters = [mark_svg(m, place) for m in _letters(marks)]
    width = f"{max(round(PIXELS_PER_MM * wide), 300)}px"
    return svg_document((0.0, 0.0, wide, high), [*bodies, *letters], drawing.title, False, width)


def _foot(mark: Mark, at: Point) -> str:
    x, y = at
    shape = (
        f"M{x:.0f},{y - 1.3 * FOOT_MM:.0f}l{1.2 * FOOT_MM:.0f},{2.2 * FOOT_MM:.0f}h{-2.4 * FOOT_MM:.0f}Z"
        if mark.style == "measure"
        else f"M{x - FOOT_MM:.0f},{y:.0f}a{FOOT_MM:.0f},{FOOT_MM:.0f} 0 1 0 {2 * FOOT_MM:.0f},0a{FOOT_MM:.0f},{FOOT_MM:.0f} 0 1 0 {-2 * FOOT_MM:.0f},0Z"
    )
    return f'<path class="d-foot {mark.style}" data-id="{escape(mark.name)}" d="{shape}"/>'


def _letters(marks: list[Mark]) -> list[Mark]:
    """Ids of feet, without their array where the face has only one."""
    lettering = Lettering(LETTER_MM)
    feet = [m for m in marks if m.layer == "foot"]
    arrays = {m.name.partition("-")[0] for m in feet}
    for mark in feet:
        lettering.keep_clear(*mark.points[0], FOOT_MM + 15)
    placed: list[Mark] = []
    for mark in marks:
        if mark.layer in ("rail", "module"):
            for start, end in pairwise([*mark.points, mark.points[0]]):
                lettering.avoid(start, end)
    for mark in feet:
        text = mark.name.partition("-")[2] if len(arrays) == 1 else mark.name
        placed += lettering.beside("foot", text, mark.points[0], out=FOOT_MM + 20, name=mark.name)
    return placed
