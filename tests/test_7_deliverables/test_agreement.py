"""One content, many writers: the numbers of every foot are the same wherever they are read."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from pathlib import Path

import pytest

from rowplane.deliverables.sheets import build_sheets
from rowplane.deliverables.words import CAUTIONS, WORDS
from rowplane.deliverables.write import WRITERS
from test_7_deliverables.builders import make_result


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    result = make_result()
    sheets = build_sheets(result)
    return {name: content for writer in WRITERS for name, content in writer(result, sheets).items()}


@pytest.fixture(scope="module")
def feet(files) -> dict[str, dict[str, str]]:
    return {row["foot"]: row for row in csv.DictReader(io.StringIO(files["feet.csv"].decode()))}


def height(row: dict[str, str]) -> str:
    return f"{float(row['lift_mm']) + float(row['packer_mm']):.1f}"


def test_workbook_has_the_numbers_as_numbers(files, feet):
    import openpyxl

    sheet = openpyxl.load_workbook(io.BytesIO(files["tables.xlsx"]))["Feet"]
    names = [cell.value for cell in sheet[3]]
    assert names == list(next(iter(feet.values())))
    rows = list(sheet.iter_rows(min_row=5, values_only=True))
    assert len(rows) == len(feet)
    for row in rows:
        told = feet[row[0]]
        for name, value in zip(names, row, strict=True):
            if isinstance(value, str) or value is None:
                assert (value or "") == told[name]
            else:
                assert float(told[name]) == pytest.approx(value, abs=1e-9), name
    assert sheet.freeze_panes == "B5"


def test_result_json_has_the_rows_of_the_tables(files, feet):
    rows = json.loads(files["result.json"])["tables"]["feet"]["rows"]
    assert [r["foot"] for r in rows] == list(feet)
    for row in rows:
        assert float(feet[row["foot"]]["lift_mm"]) == row["lift_mm"]
        assert float(feet[row["foot"]]["x"]) == row["x"]


def test_result_json_keeps_to_its_schema(files):
    import jsonschema

    from rowplane.deliverables.json_result import SCHEMA

    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    values = json.loads(files["result.json"])
    jsonschema.validate(values, schema)
    values["tables"]["feet"]["rows"][0]["lift_mm"] = None
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(values, schema)


def test_page_shows_the_height_of_every_foot(files, feet):
    page = files["crew-sheet.html"].decode()
    shown = dict(re.findall(r'<tr data-foot="([^"]+)">.*?<td class="big"><b>([^<]+)</b>', page))
    assert shown == {foot: height(row) for foot, row in feet.items()}
    data = json.loads(re.search(r'id="crew-data">(.*?)</script>', page, re.S).group(1))
    assert {s["id"]: s["lift"] for s in data["stops"]} == {f: float(r["lift_mm"]) for f, r in feet.items()}


def test_paper_shows_the_height_of_every_foot_large_enough(files, feet):
    import pypdf
    sizes: dict[str, list[float]] = {}

    def visit(text: str, matrix: list[float], text_matrix: list[float], font: object, size: float) -> None:
        for word in text.split():
            sizes.setdefault(word, []).append(abs(size * text_matrix[3] * matrix[3]))

    reader = pypdf.PdfReader(io.BytesIO(files["crew-sheet.pdf"]))
    words = " ".join(page.extract_text(visitor_text=visit) for page in reader.pages)
    for foot, row in feet.items():
        assert foot in words
        assert max(sizes[height(row)]) >= 20, "the main figure is set in 23 pt"
        assert max(sizes[f"{float(row['v_mm']):.0f}"]) >= 13.9, "what is measured to is set in 14 pt"


def test_every_page_of_paper_carries_date_and_revision(files):
    import pypdf
    revision = json.loads(files["result.json"])["revision"]
    for page in pypdf.PdfReader(io.BytesIO(files["crew-sheet.pdf"])).pages:
        text = page.extract_text()
        assert "2031-05-04" in text
        assert revision in text
        assert "licensed professional" in text


def test_cautions_stand_on_paper_and_page(files):
    import pypdf
    pages = [" ".join(p.extract_text().split()) for p in pypdf.PdfReader(io.BytesIO(files["crew-sheet.pdf"])).pages]
    page = " ".join(html.unescape(files["crew-sheet.html"].decode()).split())
    for line in CAUTIONS:
        assert line in pages[0]
        assert line in page
    assert WORDS["first_of_all"] in page.split("<main>")[0]
    assert all(WORDS["screening"] in text for text in pages)


def test_drawing_blocks_carry_the_rows_and_stand_where_they_say(files, feet, tmp_path):
    import ezdxf
    path = tmp_path / "layout.dxf"
    path.write_bytes(files["layout.dxf"])
    document = ezdxf.readfile(path)
    assert not document.audit().errors
    # DXF reference, HEADER: $INSUNITS 4 = millimetres, $MEASUREMENT 1 = metric (CHECKS D-09).
    assert (document.header["$INSUNITS"], document.header["$MEASUREMENT"]) == (4, 1)
    inserts = document.modelspace().query("INSERT")
    datums = {i.get_attrib_text("FACE"): i.dxf.insert for i in inserts.query('*[name=="DATUM"]')}
    blocks = {i.get_attrib_text("ID"): i for i in inserts.query('*[name=="FOOT"]')}
    assert set(blocks) == set(feet)
    for foot, row in feet.items():
        block, datum = blocks[foot], datums[row["face"]]
        assert block.dxf.insert.x - datum.x == pytest.approx(float(row["u_mm"]), abs=0.051)
        assert block.dxf.insert.y - datum.y == pytest.approx(float(row["v_mm"]), abs=0.051)
        assert float(block.get_attrib_text("LIFT_MM")) == float(row["lift_mm"])
    hooks = list(csv.DictReader(io.StringIO(files["hooks.csv"].decode())))
    modules = list(csv.DictReader(io.StringIO(files["modules.csv"].decode())))
    assert len(inserts.query('*[name=="HOOK"]')) == len(hooks)
    assert len(inserts.query('*[name ? "MODULE-.*"]')) == len(modules)


def test_map_features_lie_where_the_tables_say(files, feet):
    import pyproj
    features = json.loads(files["layout.geojson"])["features"]
    points = {f["id"]: f["geometry"]["coordinates"] for f in features if f["properties"]["what"] == "foot"}
    assert set(points) == set(feet)
    back = pyproj.Transformer.from_crs(4326, 25832, always_xy=True)
    for foot, (lon, lat) in points.items():
        assert back.transform(lon, lat) == pytest.approx((float(feet[foot]["x"]), float(feet[foot]["y"])), abs=2e-3)


def test_plan_marks_are_those_of_the_tables(files, feet):
    svg = files["layout.svg"].decode()
    assert set(re.findall(r'class="d-foot[^"]*" data-id="([^"]+)"', svg)) == set(feet)
    modules = {r["module"] for r in csv.DictReader(io.StringIO(files["modules.csv"].decode()))}
    assert set(re.findall(r'class="d-module[^"]*" data-id="([^"]+)"', svg)) == modules


def test_model_carries_the_height_of_every_foot(files, feet):
    page = files["model.html"].decode()
    data = json.loads(re.search(r'id="model-data">(.*?)</script>', page, re.S).group(1))
    assert {f["id"]: f["height"] for f in data["feet"]} == {f: f"{height(r)} mm" for f, r in feet.items()}


def test_sizes_stay_within_what_a_phone_takes(files):
    limits = {"crew-sheet.pdf": 2_000_000, "crew-sheet.html": 600_000, "model.html": 6_000_000}
    for name, most in limits.items():
        assert len(files[name]) < most, name


def test_schema_is_in_the_package():
    import rowplane.deliverables

    assert (Path(rowplane.deliverables.__file__).parent / "schema" / "result-1.schema.json").is_file()
