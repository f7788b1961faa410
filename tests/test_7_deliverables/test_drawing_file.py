"""layout.dxf read back: true scale, running dimensions, sheets, and plan positions equal to the tables."""

from __future__ import annotations

from typing import Any

import ezdxf
import numpy as np
import pytest

from rowplane.deliverables.dxf import dxf_files
from rowplane.deliverables.sheets import build_sheets
from test_7_deliverables.builders import empty_result, make_result


def read_back(result, tmp_path) -> Any:
    (tmp_path / "layout.dxf").write_bytes(dxf_files(result, build_sheets(result))["layout.dxf"])
    document = ezdxf.readfile(tmp_path / "layout.dxf")
    audit = document.audit()
    assert not audit.errors
    assert not audit.fixes
    return document


@pytest.fixture(scope="module")
def result():
    return make_result()


@pytest.fixture(scope="module")
def document(result, tmp_path_factory):
    return read_back(result, tmp_path_factory.mktemp("dxf"))


def rows(result, table: str) -> list[dict[str, Any]]:
    return build_sheets(result).tables[table].records()


def test_hooks_and_modules_stand_and_measure_what_the_tables_say(result, document):
    inserts = document.modelspace().query("INSERT")
    datums = {i.get_attrib_text("FACE"): i.dxf.insert for i in inserts.query('*[name=="DATUM"]')}
    blocks = {i.get_attrib_text("ID"): i for i in inserts if i.dxf.name != "DATUM"}
    for hook in rows(result, "hooks"):
        at = blocks[hook["hook"]].dxf.insert - datums[hook["face"]]
        assert (at.x, at.y) == pytest.approx((hook["u_mm"], hook["v_mm"]), abs=0.051)
        assert blocks[hook["hook"]].get_attrib_text("RAFTER") == hook["rafter"]
    for module in rows(result, "modules"):
        insert = blocks[module["module"]]
        (outline,) = document.blocks.get(insert.dxf.name).query("LWPOLYLINE")
        corners = np.array([p[:2] for p in outline.get_points()]) + np.array((insert.dxf.insert - datums[module["face"]]).vec2)
        told = [[module[f"u{k}_mm"], module[f"v{k}_mm"]] for k in (1, 2, 3, 4)]
        assert corners == pytest.approx(np.array(told), abs=0.051)


def test_running_dimensions_measure_rails_and_lines_from_the_datum(result, document):
    drawn = [text for d in document.modelspace().query("DIMENSION") for text in d.get_geometry_block().query("TEXT MTEXT")]
    measured = sorted(int(t.dxf.text if t.dxftype() == "TEXT" else t.plain_text()) for t in drawn)
    told = [round(r["u_mm"]) for r in rows(result, "rails")]
    told += [round(k.v_mm) for array in result.layout.arrays for k in array.lines]
    assert measured == sorted(told)


def test_plan_in_the_crs_is_where_the_tables_say(result, document):
    # DXF reference, GEODATA: design point, reference point and unit scale of a local grid (coordinate type 1).
    to_crs, epsg = document.modelspace().get_geodata().get_crs_transformation()
    assert epsg == 25832
    for layer, table in (("PLAN-FOOT", "feet"), ("PLAN-HOOK", "hooks")):
        circles = document.modelspace().query(f'CIRCLE[layer=="{layer}"]')
        at = sorted((p.x, p.y) for p in (to_crs.transform(c.dxf.center) for c in circles))
        told = sorted((r["x"], r["y"]) for r in rows(result, table))
        assert np.array(at) == pytest.approx(np.array(told), abs=2e-4), table
    areas = document.modelspace().query('LWPOLYLINE[layer=="PLAN-MODULE"]')
    first = rows(result, "modules")[0]
    at = [to_crs.transform((*p[:2], 0)) for p in areas[0].get_points()]
    told = [[first[f"x{k}"], first[f"y{k}"]] for k in (1, 2, 3, 4)]
    assert np.array([[p.x, p.y] for p in at]) == pytest.approx(np.array(told), abs=2e-4)


def test_without_a_crs_the_origin_is_told_and_nothing_is_made_up(tmp_path):
    result = make_result(columns=(3,), rows=(2,), epsg=None)
    document = read_back(result, tmp_path)
    assert document.modelspace().get_geodata() is None
    (origin,) = [i for i in document.modelspace().query("INSERT") if i.has_attrib("FACE") and i.get_attrib_text("FACE") == "plan"]
    x, y = (float(origin.get_attrib_text(f"ORIGIN_{axis}")) for axis in "XY")
    foot = rows(result, "feet")[0]
    near = min(
        np.hypot(x + c.dxf.center.x / 1000 - foot["x"], y + c.dxf.center.y / 1000 - foot["y"])
        for c in document.modelspace().query('CIRCLE[layer=="PLAN-FOOT"]')
    )
    assert near < 2e-4


def test_a_sheet_per_face_and_one_of_the_plan_at_a_true_scale(result, document):
    assert document.layout_names()[1:] == ["Face A", "Face B", "Face Z", "Plan"]
    for name in document.layout_names()[1:]:
        sheet = document.layout(name)
        words = " ".join(t.dxf.text for t in sheet.query("TEXT"))
        assert result.lead.name in words
        assert "2031-05-04" in words
        assert build_sheets(result).revision in words
        scale = int(words.partition("scale 1:")[2].split()[0])
        (view,) = [v for v in sheet.query("VIEWPORT") if v.dxf.id > 1]
        assert view.dxf.view_height / view.dxf.height == pytest.approx(scale)
        assert view.dxf.width <= 420 - 24
        assert view.dxf.height <= 297 - 24
        # The bar is as long on paper as its words say: the sheet is drawn in mm.
        bar = max(line.dxf.end.x - line.dxf.start.x for line in sheet.query("LINE") if line.dxf.end.x < 400)
        metres = float(words.rpartition(" m")[0].split()[-1])
        assert bar * scale == pytest.approx(1000 * metres)


def test_nothing_to_draw_is_said_on_a_sheet(tmp_path):
    document = read_back(empty_result(), tmp_path)
    words = " ".join(t.dxf.text for t in document.layout("Sheet").query("TEXT"))
    assert "No pitched face" in words


def test_control_codes_in_a_name_stay_text(tmp_path):
    document = read_back(make_result(columns=(3,), rows=(2,), name="%%c 50 %%u {\\fArial;x} ^J"), tmp_path)
    assert any("% %c 50" in t.dxf.text for t in document.layout("Plan").query("TEXT"))
