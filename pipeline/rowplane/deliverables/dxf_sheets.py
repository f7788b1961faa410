"""The paper of layout.dxf: one A3 sheet per face and one for the plan, each at its own scale with title and scale bar."""

from __future__ import annotations

from typing import Any

from rowplane.deliverables.content import Sheets
from rowplane.deliverables.dxf_marks import add_text
from rowplane.deliverables.words import WORDS, say

Box = tuple[float, float, float, float]
View = tuple[str, str, str, Box]
"""Name, title, what lengths on it are, its box in model space."""

SHEET_MM = (420.0, 297.0)
MARGIN = 12.0
TITLE_MM = 40.0
SCALES = (20, 25, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000)


def add_sheets(document: Any, sheets: Sheets, views: list[View]) -> None:
    """A layout per view; without views one that says why there is nothing to draw."""
    for view in views or [(WORDS["sheet"], sheets.headline, WORDS["lengths_slope"], (0.0, 0.0, 1000.0, 1000.0))]:
        _sheet(document, sheets, view)
    document.layouts.delete("Layout1")


def _sheet(document: Any, sheets: Sheets, view: View) -> None:
    name, title, lengths, box = view
    wide, high = SHEET_MM
    sheet = document.layouts.new(name)
    sheet.page_setup(size=SHEET_MM, margins=(0, 0, 0, 0), units="mm")
    room = (wide - 2 * MARGIN, high - 2 * MARGIN - TITLE_MM)
    need = max((box[2] - box[0]) / room[0], (box[3] - box[1]) / room[1])
    scale = next((s for s in SCALES if s >= need), round(need) + 1)
    # No larger than its view, so that no neighbour looks in.
    sheet.add_viewport(
        center=(wide / 2, MARGIN + TITLE_MM + room[1] / 2),
        size=((box[2] - box[0]) / scale, (box[3] - box[1]) / scale),
        view_center_point=((box[0] + box[2]) / 2, (box[1] + box[3]) / 2),
        view_height=box[3] - box[1],
        dxfattribs={"layer": "SHEET"},
    )
    right, top, floor = wide - MARGIN, high - MARGIN, MARGIN + TITLE_MM
    corners = [(MARGIN, MARGIN), (right, MARGIN), (right, top), (MARGIN, top)]
    sheet.add_lwpolyline(corners, close=True, dxfattribs={"layer": "SHEET"})
    sheet.add_line((MARGIN, floor), (right, floor), dxfattribs={"layer": "SHEET"})
    said = say("sheet_said", date=sheets.survey_date, revision=sheets.revision, scale=scale, lengths=lengths)
    lines = ((6.0, sheets.lead[:70]), (4.0, title[:110]), (3.5, sheets.headline[:120]), (3.5, said), (2.5, WORDS["screening"]))
    for k, (height, text) in enumerate(lines):
        add_text(sheet, text, (MARGIN + 4, floor - 8.5 - 7 * k), height, 0.0, "LEFT", "SHEET")
    _scale_bar(sheet, scale, right - 12, floor - 14)


def _scale_bar(sheet: Any, scale: int, right: float, y: float) -> None:
    """Five parts with their ends numbered: 5 m, or 1 m at the largest scales."""
    part = 1.0 if scale >= 50 else 0.2
    step = 1000 * part / scale
    left = right - 5 * step
    sheet.add_line((left, y), (right, y), dxfattribs={"layer": "SHEET"})
    for k in range(6):
        x = left + k * step
        sheet.add_line((x, y - 1.5), (x, y + 1.5), dxfattribs={"layer": "SHEET"})
    for x, text in ((left, "0"), (right, say("metres", n=f"{5 * part:g}"))):
        add_text(sheet, text, (x, y - 6.5), 3.5, 0.0, "CENTER", "SHEET")
