"""layout.dxf: face views and the plan in model space, millimetres; sheets with title and scale bar in paper space."""

from __future__ import annotations

import io
import math
from typing import Any

from rowplane.deliverables.content import Cell, FaceDrawing, Files, Mark, Point, Sheets
from rowplane.deliverables.dxf_marks import LAYERS, add_mark, add_text, moved, safe_text
from rowplane.deliverables.dxf_plan import HERE, add_geodata, plan_view
from rowplane.deliverables.dxf_sheets import Box, View, add_sheets
from rowplane.deliverables.words import WORDS, say
from rowplane.model import RoofResult

BETWEEN_MM = 3000.0
TAGS: dict[str, tuple[str, ...]] = {
    "foot": ("LINE", "RAIL", "KIND", "U_MM", "V_MM", "LIFT_MM", "TURNS", "PACKER_MM", "SIGMA_MM", "TRUST"),
    "hook": ("RAIL", "RAFTER", "COURSE", "PAN", "U_MM", "V_MM", "PACKER_MM", "TRUST"),
    "module": ("ARRAY", "ROW", "COLUMN", "ORIENTATION"),
}
"""Attributes of the blocks, named as the tables' columns."""


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
    """The drawing as an ezdxf document: the plan at its survey coordinates, right of it the faces, each with its datum."""
    import ezdxf

    document = ezdxf.new("R2010", setup=["linetypes"])
    # Codes 4 and 1: millimetres and metric (DXF reference, HEADER section).
    document.header["$INSUNITS"], document.header["$MEASUREMENT"] = 4, 1
    document.header["$LTSCALE"] = 40.0
    document.styles.add("LETTERS", font="DejaVuSans.ttf")
    for name, (colour, kind) in LAYERS.items():
        document.layers.add(name, color=colour, linetype=kind)
    _blocks(document, sheets)
    space = document.modelspace()
    views: list[View] = []
    left, top = (sheets.key_plan.bounds[2] + 2 * BETWEEN_MM, sheets.key_plan.bounds[3]) if sheets.key_plan else (0.0, 0.0)
    for drawing, shift in _places(sheets.drawings, left, top):
        _face_view(space, sheets, drawing, shift)
        views.append((say("face_view", face=drawing.face), drawing.title, WORDS["lengths_slope"], _around(drawing, shift)))
    if sheets.key_plan:
        plan_view(space, result, sheets.key_plan)
        add_geodata(space, result.survey.frame)
        views.append((WORDS["plan"], sheets.key_plan.title, WORDS["lengths_plan"], _around(sheets.key_plan, HERE)))
    add_sheets(document, sheets, views)
    return document


def _around(drawing: FaceDrawing, shift: Point) -> Box:
    """A view's place in model space with room for its dimensions and titles."""
    left, low, right, top = drawing.bounds
    return shift[0] + left - 1200, shift[1] + low - 1400, shift[0] + right + 500, shift[1] + top + 900


def _places(drawings: tuple[FaceDrawing, ...], left: float, top: float) -> list[tuple[FaceDrawing, Point]]:
    """Face views in rows, as on a page of A3, right and down of `left`, `top`: each with the shift of its datum."""
    wide = [d.bounds[2] - d.bounds[0] + BETWEEN_MM for d in drawings]
    high = [d.bounds[3] - d.bounds[1] + BETWEEN_MM for d in drawings]
    page = max([1.8 * math.sqrt(sum(w * h for w, h in zip(wide, high, strict=True))), *wide], default=0.0)
    placed: list[tuple[FaceDrawing, Point]] = []
    x, y, row = 0.0, 0.0, 0.0
    for drawing, w, h in zip(drawings, wide, high, strict=True):
        if x and x + w > page:
            x, y, row = 0.0, y - row, 0.0
        placed.append((drawing, (left + x - drawing.bounds[0], top + y - drawing.bounds[3])))
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
            add_mark(space, mark, shift)
    datum = space.add_blockref("DATUM", shift, dxfattribs={"layer": "DATUM"})
    datum.add_auto_attribs({"FACE": drawing.face})
    left, _, _, top = drawing.bounds
    for line, height, text in ((520, 170, drawing.title), (300, 110, drawing.note)):
        add_text(space, text, (left + shift[0], top + shift[1] + line), height, 0.0, "LEFT")
    _dimensions(space, drawing, shift)


def _insert(space: Any, mark: Mark, row: dict[str, Cell], shift: Point) -> None:
    layer = "FOOT-MEASURE" if mark.style == "measure" else mark.layer.upper()
    name = _module_block(row) if mark.layer == "module" else mark.layer.upper()
    block = space.add_blockref(name, moved(mark.points[0], shift), dxfattribs={"layer": layer})
    values = {
        tag: "" if row[column] is None else safe_text(str(row[column])) for tag in TAGS[mark.layer] for column in [_column(tag)]
    }
    block.add_auto_attribs({"ID": mark.name, **values})


def _column(tag: str) -> str:
    return tag.lower()


def _dimensions(space: Any, drawing: FaceDrawing, shift: Point) -> None:
    """Running dimensions from the datum: ordinate dimensions of rails along the eave and of lines up the slope."""
    left, low, _, _ = drawing.bounds
    look = {"dimtxt": 110.0, "dimdec": 0, "dimgap": 40.0, "dimasz": 60.0, "dimexo": 40.0, "dimtxsty": "LETTERS"}
    rails = {m.points[0][0]: m for m in drawing.marks if m.layer == "rail" and m.shape == "path"}
    for mark in rails.values():
        # From below the rail's name, which stands under its front end.
        start = min(low, mark.points[0][1] - 250)
        space.add_ordinate_x_dim(
            feature_location=moved((mark.points[0][0], start), shift),
            offset=(0, low - 900 - start),
            origin=shift,
            override=look,
            dxfattribs={"layer": "DIMENSION"},
        ).render()
    for v in dict.fromkeys(m.points[0][1] for m in drawing.marks if m.layer == "line"):
        start = min(m.points[0][0] for m in drawing.marks if m.layer == "line" and m.points[0][1] == v)
        space.add_ordinate_y_dim(
            feature_location=moved((start, v), shift),
            offset=(left - 700 - start, 0),
            origin=shift,
            override=look,
            dxfattribs={"layer": "DIMENSION"},
        ).render()
