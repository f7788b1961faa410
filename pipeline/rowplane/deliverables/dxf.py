"""layout.dxf: face views and key plan in model space, millimetres; a sheet with title and scale bar in paper space."""

from __future__ import annotations

import io
import math
from typing import Any

from rowplane.deliverables.content import Cell, FaceDrawing, Files, Mark, Point, Sheets
from rowplane.model import RoofResult

LAYERS: dict[str, tuple[int, str]] = {
    "OUTLINE": (7, "CONTINUOUS"),
    "EDGE-EAVE": (5, "CONTINUOUS"),
    "EDGE-RIDGE": (1, "CONTINUOUS"),
    "EDGE-HIP": (1, "DASHED"),
    "EDGE-VALLEY": (5, "DASHED"),
    "EDGE-VERGE": (8, "CONTINUOUS"),
    "EDGE-STEP": (8, "DASHED"),
    "USABLE": (3, "DASHED"),
    "OBSTACLE": (8, "CONTINUOUS"),
    "PATCH": (2, "DASHED"),
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
    "SHEET": (7, "CONTINUOUS"),
}
"""Layer name → colour index and line type."""

BETWEEN_MM = 3000.0
SHEET_MM = (420.0, 297.0)
SHEET_MARGIN = 12.0
TAGS: dict[str, tuple[str, ...]] = {
    "foot": ("LINE", "RAIL", "KIND", "U_MM", "V_MM", "LIFT_MM", "TURNS", "PACKER_MM", "SIGMA_MM", "TRUST"),
    "hook": ("RAIL", "RAFTER", "COURSE", "PAN", "U_MM", "V_MM", "PACKER_MM", "TRUST"),
    "module": ("ARRAY", "ROW", "COLUMN", "ORIENTATION"),
}
"""Attributes of the blocks, named as the tables' columns."""

SCALES = (20, 25, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000)


def dxf_files(result: RoofResult, sheets: Sheets) -> Files:
    """layout.dxf."""
    import ezdxf

    # Handles and times of a drawing would differ from run to run; the library can leave them fixed.
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        document = drawing_document(result, sheets)
        # Added by the library in the order of a set, which differs from process to process.
        for kind in sorted(document.entitydb.dxf_types_in_use()):
            document.classes.add_class(kind)
        out = io.StringIO()
        document.write(out)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
    return {"layout.dxf": out.getvalue().encode(document.output_encoding, "replace")}


def drawing_document(result: RoofResult, sheets: Sheets) -> Any:
    """The drawing as an ezdxf document: face views side by side, each with its datum where u = 0, v = 0."""
    import ezdxf

    document = ezdxf.new("R2010", setup=["linetypes"])
    # Codes 4 and 1: millimetres and metric (DXF reference, HEADER section).
    document.header["$INSUNITS"], document.header["$MEASUREMENT"] = 4, 1
    document.header["$LTSCALE"] = 40.0
    document.styles.add("LETTERS", font="DejaVuSans.ttf")
    for name, (colour, kind) in LAYERS.items():
        document.layers.add(name, color=colour, linetype=kind)
    _blocks(document, sheets)
    space, boxes = document.modelspace(), []
    for drawing, shift in _places(sheets.drawings):
        left, low, right, top = drawing.bounds
        _face_view(space, sheets, drawing, shift)
        boxes.append((shift[0] + left - 1500, shift[1] + low - 1500, shift[0] + right + 1500, shift[1] + top + 1500))
    if sheets.key_plan:
        boxes.append(_plan_view(space, result, sheets.key_plan, min((b[1] for b in boxes), default=0.0)))
    _sheet(document, sheets, boxes)
    return document


def _places(drawings: tuple[FaceDrawing, ...]) -> list[tuple[FaceDrawing, Point]]:
    """Face views in rows, as on a page of A3: each with the shift of its datum."""
    wide = [d.bounds[2] - d.bounds[0] + BETWEEN_MM for d in drawings]
    high = [d.bounds[3] - d.bounds[1] + BETWEEN_MM for d in drawings]
    page = max([1.8 * math.sqrt(sum(w * h for w, h in zip(wide, high, strict=True))), *wide], default=0.0)
    placed: list[tuple[FaceDrawing, Point]] = []
    x, y, row = 0.0, 0.0, 0.0
    for drawing, w, h in zip(drawings, wide, high, strict=True):
        if x and x + w > page:
            x, y, row = 0.0, y - row, 0.0
        placed.append((drawing, (x - drawing.bounds[0], y - drawing.bounds[3])))
        x, row = x + w, max(row, h)
    return placed


def _blocks(document: Any, sheets: Sheets) -> None:
    hook = document.blocks.new("HOOK")
    hook.add_lwpolyline([(-38, -24), (38, -24), (38, 24), (-38, 24)], close=True, dxfattribs={"layer": "0"})
    foot = document.blocks.new("FOOT")
    foot.add_circle((0, 0), 36, dxfattribs={"layer": "0"})
    datum = document.blocks.new("DATUM")
    datum.add_line((-150, 0), (150, 0))
    datum.add_line((0, -150), (0, 150))
    datum.add_circle((0, 0), 80)
    sizes = {m.name: m for d in sheets.drawings for m in d.marks if m.layer == "module" and m.shape == "area"}
    for row in sheets.tables["modules"].records():
        mark, name = sizes.get(str(row["module"])), _module_block(row)
        if mark and name not in document.blocks:
            (left, front), _, (right, top), _ = mark.points
            block = document.blocks.new(name)
            block.add_lwpolyline([(0, 0), (right - left, 0), (right - left, top - front), (0, top - front)], close=True)
    for name, block in ((n, document.blocks.get(n)) for n in ("HOOK", "FOOT", *_module_blocks(sheets))):
        for k, tag in enumerate(("ID", *TAGS["module" if name.startswith("MODULE") else name.lower()])):
            # Attributes carry the table's row; ids are drawn as labels, so the attributes themselves stay unseen.
            block.add_attdef(tag, (0, -20.0 * k), height=20, dxfattribs={"flags": 1, "layer": "LABEL"})
    for k, tag in enumerate(("FACE", "ORIGIN_X", "ORIGIN_Y", "ORIGIN_Z", "UNIT", "EPSG")):
        datum.add_attdef(tag, (0, -40.0 * k), height=40, dxfattribs={"flags": 1, "layer": "LABEL"})


def _module_block(row: dict[str, Cell]) -> str:
    return f"MODULE-{row['array']}"


def _module_blocks(sheets: Sheets) -> list[str]:
    return list(dict.fromkeys(_module_block(row) for row in sheets.tables["modules"].records()))


def _face_view(space: Any, sheets: Sheets, drawing: FaceDrawing, shift: Point) -> None:
    rows = {
        "foot": {str(r["foot"]): r for r in sheets.tables["feet"].records()},
        "hook": {str(r["hook"]): r for r in sheets.tables["hooks"].records()},
        "module": {str(r["module"]): r for r in sheets.tables["modules"].records()},
    }
    for mark in drawing.marks:
        row = rows.get(mark.layer, {}).get(mark.name)
        if row is not None and mark.shape in ("spot", "area"):
            _insert(space, mark, row, shift)
        else:
            _add(space, mark, shift)
    datum = space.add_blockref("DATUM", shift, dxfattribs={"layer": "DATUM"})
    datum.add_auto_attribs({"FACE": drawing.face})
    left, _, _, top = drawing.bounds
    for line, height, text in ((520, 170, drawing.title), (300, 110, drawing.note)):
        _text(space, text, (left + shift[0], top + shift[1] + line), height, 0.0, "LEFT")
    _dimensions(space, drawing, shift)


def _insert(space: Any, mark: Mark, row: dict[str, Cell], shift: Point) -> None:
    layer = "FOOT-MEASURE" if mark.style == "measure" else mark.layer.upper()
    name = _module_block(row) if mark.layer == "module" else mark.layer.upper()
    block = space.add_blockref(name, _moved(mark.points[0], shift), dxfattribs={"layer": layer})
    values = {
        tag: "" if row[column] is None else _safe(str(row[column])) for tag in TAGS[mark.layer] for column in [_column(tag)]
    }
    block.add_auto_attribs({"ID": mark.name, **values})


def _column(tag: str) -> str:
    return tag.lower()


def _add(space: Any, mark: Mark, shift: Point, layer: str = "") -> None:
    name = layer or (f"EDGE-{mark.style.upper()}" if mark.layer == "edge" else mark.layer.upper())
    look = {"layer": name if name in LAYERS else "LABEL"}
    at = [_moved(p, shift) for p in mark.points]
    if mark.shape == "label":
        _text(space, mark.text, at[0], mark.height, mark.turn)
    elif mark.shape == "spot":
        (x, y) = at[0]
        space.add_lwpolyline(
            [(x - 40, y - 12), (x + 40, y - 12), (x + 40, y + 12), (x - 40, y + 12)], close=True, dxfattribs=look
        )
    else:
        space.add_lwpolyline(at, close=mark.shape == "area", dxfattribs=look)
        for hole in mark.holes:
            space.add_lwpolyline([_moved(p, shift) for p in hole], close=True, dxfattribs=look)


def _moved(point: Point, shift: Point) -> Point:
    return point[0] + shift[0], point[1] + shift[1]


def _safe(text: str) -> str:
    # %% starts a control code in DXF text.
    return text.replace("%%", "% %")


def _text(
    space: Any, text: str, at: Point, height: float, turn: float, align: str = "MIDDLE_CENTER", layer: str = "LABEL"
) -> None:
    from ezdxf.enums import TextEntityAlignment

    look = {"layer": layer, "style": "LETTERS", "rotation": turn}
    space.add_text(_safe(text), height=height, dxfattribs=look).set_placement(at, align=TextEntityAlignment[align])


def _dimensions(space: Any, drawing: FaceDrawing, shift: Point) -> None:
    """Running dimensions from the datum: ordinate dimensions of rails along the eave and of lines up the slope."""
    left, low, _, _ = drawing.bounds
    look = {"dimtxt": 110.0, "dimdec": 0, "dimgap": 40.0, "dimasz": 60.0, "dimexo": 40.0, "dimtxsty": "LETTERS"}
    rails = {m.points[0][0]: m for m in drawing.marks if m.layer == "rail" and m.shape == "path"}
    for mark in rails.values():
        feature = _moved(mark.points[0], shift)
        space.add_ordinate_x_dim(
            feature_location=feature,
            offset=(0, low - 900 - mark.points[0][1]),
            origin=shift,
            override=look,
            dxfattribs={"layer": "DIMENSION"},
        ).render()
    for v in dict.fromkeys(m.points[0][1] for m in drawing.marks if m.layer == "line"):
        start = min(m.points[0][0] for m in drawing.marks if m.layer == "line" and m.points[0][1] == v)
        space.add_ordinate_y_dim(
            feature_location=_moved((start, v), shift),
            offset=(left - 700 - start, 0),
            origin=shift,
            override=look,
            dxfattribs={"layer": "DIMENSION"},
        ).render()


def _plan_view(space: Any, result: RoofResult, plan: FaceDrawing, below: float) -> tuple[float, float, float, float]:
    left, low, right, top = plan.bounds
    shift = (-left, below - 1200 - top)
    for mark in plan.marks:
        _add(space, mark, shift, "" if mark.shape == "label" else "PLAN")
    frame = result.survey.frame
    origin = space.add_blockref("DATUM", shift, dxfattribs={"layer": "DATUM"})
    # Survey coordinates 0, 0 of the plan stand for this place in the scan's own coordinates.
    origin.add_auto_attribs(
        {
            "FACE": plan.face,
            "ORIGIN_X": f"{frame.origin[0]:.4f}",
            "ORIGIN_Y": f"{frame.origin[1]:.4f}",
            "ORIGIN_Z": f"{frame.origin[2]:.4f}",
            "UNIT": frame.unit,
            "EPSG": str(frame.epsg or ""),
        }
    )
    _text(space, f"{plan.title}: {plan.note}", (0.0, shift[1] + top + 400), 170, 0.0, "LEFT")
    return -1000.0, shift[1] + low - 500, right - left + 1000, shift[1] + top + 900


def _sheet(document: Any, sheets: Sheets, boxes: list[tuple[float, float, float, float]]) -> None:
    wide, high = SHEET_MM
    sheet = document.layouts.new("Sheet")
    sheet.page_setup(size=SHEET_MM, margins=(0, 0, 0, 0), units="mm")
    space = (wide - 2 * SHEET_MARGIN, high - 2 * SHEET_MARGIN - 28)
    scale = 100
    if boxes:
        low_x, low_y = min(b[0] for b in boxes), min(b[1] for b in boxes)
        high_x, high_y = max(b[2] for b in boxes), max(b[3] for b in boxes)
        need = max((high_x - low_x) / space[0], (high_y - low_y) / space[1])
        scale = next((s for s in SCALES if s >= need), round(need) + 1)
        sheet.add_viewport(
            center=(wide / 2, SHEET_MARGIN + 28 + space[1] / 2),
            size=space,
            view_center_point=((low_x + high_x) / 2, (low_y + high_y) / 2),
            view_height=space[1] * scale,
            dxfattribs={"layer": "SHEET"},
        )
    frame = [
        (SHEET_MARGIN, SHEET_MARGIN),
        (wide - SHEET_MARGIN, SHEET_MARGIN),
        (wide - SHEET_MARGIN, high - SHEET_MARGIN),
        (SHEET_MARGIN, high - SHEET_MARGIN),
    ]
    sheet.add_lwpolyline(frame, close=True, dxfattribs={"layer": "SHEET"})
    x, y = SHEET_MARGIN + 4, SHEET_MARGIN + 18
    for line, (height, text) in enumerate(
        (
            (6.0, sheets.lead[:80]),
            (3.5, sheets.headline[:120]),
            (
                3.5,
                f"survey date {sheets.survey_date}, revision {sheets.revision}, scale 1:{scale} on A3, lengths on the slope, mm",
            ),
        )
    ):
        _text(sheet, text, (x, y - 6.5 * line), height, 0.0, "LEFT", "SHEET")
    bar = 5000 / scale
    right = wide - SHEET_MARGIN - 12
    sheet.add_line((right - bar, y), (right, y), dxfattribs={"layer": "SHEET"})
    for k in range(6):
        sheet.add_line(
            (right - bar + k * bar / 5, y - 1.5), (right - bar + k * bar / 5, y + 1.5), dxfattribs={"layer": "SHEET"}
        )
    _text(sheet, "5 m", (right, y - 6), 3.5, 0.0, "CENTER", "SHEET")
