"""Each format by its own standard, and what people must be able to read on it."""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from rowplane.config import Config
from rowplane.deliverables.content import FaceDrawing
from rowplane.deliverables.drawing import build_drawings, north_on_page_deg
from rowplane.deliverables.geo import deviation_tif, geo_files, plan_raster, polygon
from rowplane.deliverables.lengths import turns_text
from rowplane.deliverables.lettering import WIDTH_PER_HEIGHT
from rowplane.deliverables.marking_figure import LETTER_PITCH, marking_figures
from rowplane.deliverables.model3d import model_files
from rowplane.deliverables.page_content import Spot
from rowplane.deliverables.pages import build_pages
from rowplane.deliverables.pdf import pdf_files
from rowplane.deliverables.sheets import build_sheets
from rowplane.deliverables.solids import PUOR, deviation_colours
from rowplane.deliverables.svg import layout_svg
from rowplane.deliverables.write import WRITERS
from rowplane.deliverables.xlsx import xlsx_files
from rowplane.model import Finding, Surfaces
from test_7_deliverables.builders import empty_result, make_result

HOSTILE = '=cmd()|"<script>alert(1)</script>" & $\\alpha$ %%c שלום 🏠 ' + "x" * 400


def test_geojson_rings_are_rewound():
    # RFC 7946, section 3.1.6; the vector of CHECKS D-08.
    ring = [[100.0, 0.0], [100.0, 1.0], [101.0, 1.0], [101.0, 0.0]]
    assert polygon(ring)["coordinates"] == [[[100, 0], [101, 0], [101, 1], [100, 1], [100, 0]]]
    assert polygon(ring[::-1])["coordinates"][0] == [[101, 0], [101, 1], [100, 1], [100, 0], [101, 0]]


def test_geojson_is_only_written_with_a_crs():
    result = make_result(epsg=None)
    assert "layout.geojson" not in geo_files(result, build_sheets(result))
    known = make_result(epsg=25832)
    features = json.loads(geo_files(known, build_sheets(known))["layout.geojson"])["features"]
    rings = [np.array(f["geometry"]["coordinates"][0]) for f in features if f["geometry"]["type"] == "Polygon"]
    assert len(rings) >= len(known.layout.arrays[0].modules)
    for ring in rings:
        x, y = (ring - ring.mean(axis=0)).T
        assert np.all(ring[0] == ring[-1])
        assert np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0, "outer rings run counter-clockwise"


def test_raster_holds_the_substrate_where_it_is():
    import rasterio
    result = make_result()
    with rasterio.MemoryFile(deviation_tif(result)) as memory, memory.open() as raster:
        assert raster.crs.to_epsg() == 25832
        assert raster.descriptions == ("deviation_mm", "sd_mm", "face")
        band, faces = raster.read(1), raster.read(3)
        foot = next(csv.DictReader(io.StringIO(_csv(result, "feet"))))
        row, column = raster.index(float(foot["x"]), float(foot["y"]))
        surface = result.surfaces.of(foot["face"])
        # The foot stands 117 mm over the plane, so on a 28° roof its plan place is 55 mm beside: one cell at most.
        around = band[row - 1 : row + 2, column - 1 : column + 2]
        truth = surface.height.mean_mm(np.array([[float(foot["u_mm"]), float(foot["v_mm"])]]))[0]
        assert np.nanmin(np.abs(around - truth)) < 0.4
        assert faces[row, column] == 1
    bands, _, _, _ = plan_raster(result)
    assert np.nanmax(np.abs(bands[0])) <= 9.0 + 1e-6


def _csv(result, name: str) -> str:
    from rowplane.deliverables.csv_tables import csv_text

    return csv_text(build_sheets(result).tables[name])


def label_boxes(drawing: FaceDrawing) -> np.ndarray:
    boxes = []
    for mark in drawing.marks:
        if mark.shape == "label" and mark.turn == 0:
            (u, v), half = mark.points[0], 0.5 * 0.62 * mark.height * len(mark.text)
            boxes.append((u - half, v - mark.height / 2, u + half, v + mark.height / 2))
    return np.array(boxes)


@pytest.mark.parametrize("columns", [(4, 3), (24,)])
def test_no_label_lies_on_another_and_every_foot_has_its_own(columns):
    result = make_result(columns=columns, rows=(3,) * len(columns))
    for drawing in build_drawings(result):
        boxes = label_boxes(drawing)
        for k, box in enumerate(boxes):
            others = np.delete(boxes, k, axis=0)
            clash = (others[:, 0] < box[2]) & (others[:, 2] > box[0]) & (others[:, 1] < box[3]) & (others[:, 3] > box[1])
            assert not clash.any(), drawing.face
        named = {m.name for m in drawing.marks if m.shape == "label" and m.layer == "foot"}
        assert named == {m.name for m in drawing.marks if m.shape == "spot" and m.layer == "foot"}
    assert WIDTH_PER_HEIGHT > 0.62, "labels are placed with room to spare"


@pytest.mark.parametrize(("azimuth", "turn"), [(180, 0), (0, 180), (90, 90), (270, 270)])
def test_north_arrow_of_a_face_seen_from_its_eave(azimuth, turn):
    # Facing a roof that looks south one looks north; facing one that looks east one looks west, north is to the right.
    assert north_on_page_deg(azimuth) == turn


def test_svg_is_well_formed_and_says_date_and_revision():
    sheets = build_sheets(make_result(name=HOSTILE))
    root = ET.fromstring(layout_svg(sheets))
    text = " ".join(root.itertext())
    assert sheets.revision in text
    assert "2031-05-04" in text
    assert root.findall(".//{http://www.w3.org/2000/svg}script") == []


def test_marking_figures_stay_apart():
    result = make_result(columns=(24,), rows=(3,))
    sheets = build_sheets(result)
    page = build_pages(result, sheets).marking[0]
    figures = marking_figures(sheets.drawings[0], page)
    assert len(figures) == math.ceil(43.5 / 16)
    for _, svg in figures:
        at = [float(x) for x in re.findall(r'class="f" text-anchor="end" transform="translate\(([\d.]+) [\d.]+\) rotate\(-90\)', svg)]
        assert all(b - a >= LETTER_PITCH - 0.02 for a, b in itertools.pairwise(at))
        assert max(at) <= 180


@pytest.mark.parametrize("beside", [-900.0, -150.0, 40.0, 2000.0])
def test_the_datum_is_named_clear_of_the_rails_lines(beside):
    result = make_result(columns=(4,), rows=(2,))
    sheets = build_sheets(result)
    page = build_pages(result, sheets).marking[0]
    page = replace(page, rails=(Spot("A1-R0", beside, f"{beside:.0f}", ""), *page.rails))
    ((_, svg),) = marking_figures(sheets.drawings[0], page)
    anchor, x, y = re.search(r'text-anchor="(\w+)" x="([\d.]+)" y="([\d.]+)"[^>]*>datum', svg).groups()
    floor = min(float(y) for y in re.findall(r'class="k" d="M[\d.]+ ([\d.]+)v1.5L', svg))
    leaders = [float(x) for x in re.findall(r'class="k" d="M([\d.]+) [\d.]+v1.5L', svg)]
    wide = 10 * 25.4 / 72 * 0.62 * len("datum 0, 0")
    left = float(x) - wide if anchor == "end" else float(x)
    assert float(y) < floor or not any(left < at < left + wide for at in leaders)
    assert left > 0


def test_colours_keep_their_sign_apart_for_everybody():
    # ColorBrewer PuOr (CHECKS D-13): lightness strictly monotonic on each side of the middle, which is the lightest.
    light = PUOR @ (0.2126, 0.7152, 0.0722)
    middle = len(PUOR) // 2
    assert np.all(np.diff(light[: middle + 1]) > 0)
    assert np.all(np.diff(light[middle:]) < 0)
    low, zero, high = deviation_colours(np.array([-5.0, 0.0, 5.0]), 5.0).tolist()
    assert (low, zero, high) == ([45, 0, 75], [247, 247, 247], [127, 59, 8])
    from matplotlib import colormaps

    assert np.rint(np.array(colormaps["PuOr_r"](1.0)[:3]) * 255).tolist() == [127, 59, 8]


@pytest.mark.parametrize(("turns", "words"), [(0, "0"), (0.25, "¼"), (12.75, "12¾"), (3, "3"), (1.1, "1.10")])
def test_turns_read_in_quarters(turns, words):
    assert turns_text(turns) == words


def test_workbook_cells_are_no_formulas_and_do_not_tell_the_hour():
    import openpyxl

    result = make_result(name="=1+1")
    result = replace(result, parts=(replace(result.parts[0], detail="=HYPERLINK(1)", part="+1"), *result.parts[1:]))
    book = xlsx_files(result, build_sheets(result))["tables.xlsx"]
    for sheet in openpyxl.load_workbook(io.BytesIO(book)):
        assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)
    assert book == xlsx_files(result, build_sheets(result))["tables.xlsx"]


@pytest.mark.parametrize(("paper", "units"), [("a4", "mm"), ("letter", "in")])
def test_paper_and_units(paper, units):
    # Paper sizes as CHECKS D-11 has them (from memory there): A4 210 × 297 mm, letter 8.5 × 11 in.
    import pypdf
    config = Config.model_validate({"deliverables": {"paper": paper, "units": units}})
    result = make_result(config=config)
    reader = pypdf.PdfReader(io.BytesIO(pdf_files(result, build_sheets(result))["crew-sheet.pdf"]))
    size = [float(x) for x in reader.pages[0].mediabox[2:]]
    assert size == pytest.approx({"a4": (595.28, 841.89), "letter": (612, 792)}[paper], abs=0.1)
    text = " ".join(page.extract_text() for page in reader.pages)
    assert ("1 1/2" in text) == (units == "in"), "38.5 mm is 1 1/2 in"
    assert ("38.5" in text) == (units == "mm")


def test_model_is_gltf_2_in_metres_with_y_up():
    import trimesh

    result = make_result()
    files = model_files(result, build_sheets(result))
    assert files["model.glb"][:4] == b"glTF"
    assert int.from_bytes(files["model.glb"][4:8], "little") == 2
    scene = trimesh.load(io.BytesIO(files["model.glb"]), file_type="glb")
    assert {"face A", "modules A1", "feet B1"} <= set(scene.geometry)
    (_, low, _), (_, high, _) = scene.bounds
    assert 5.1 < low < high < 9.0, "heights in metres along y"
    assert scene.geometry["modules A1"].is_watertight
    box = 1.722 * 1.134 * 0.030
    assert scene.geometry["modules A1"].volume == pytest.approx(12 * box, rel=1e-3)


@pytest.mark.parametrize("writer", WRITERS, ids=lambda w: w.__name__)
def test_every_writer_takes_empty_results(writer):
    for result in (empty_result(name=HOSTILE), empty_result(name="")):
        files = writer(result, build_sheets(result))
        assert all(isinstance(content, bytes) for content in files.values())
        for name, content in files.items():
            if name.endswith((".html", ".svg")):
                assert b"<script>alert" not in content, name


def hostile_result():
    """Foreign text wherever text from outside can stand."""
    result = make_result(name=HOSTILE, columns=(3,), rows=(2,))
    config = Config.model_validate({"module": {"name": HOSTILE[:100]}, "hardware": {"name": HOSTILE[:100]}})
    hooks = tuple(replace(h, note=HOSTILE, rafter=HOSTILE) for h in result.plan.hooks[:2]) + result.plan.hooks[2:]
    feet = tuple(replace(f, note=HOSTILE) for f in result.plan.feet[:1]) + result.plan.feet[1:]
    told = (Finding("feet-to-measure", "caution", HOSTILE, HOSTILE),)
    plan = replace(result.plan, hooks=hooks, feet=feet, findings=told, loads_screened=HOSTILE)
    parts = tuple(replace(p, part=HOSTILE, detail=HOSTILE, note=HOSTILE) for p in result.parts)
    surfaces = Surfaces(tuple(replace(s, datum_note=HOSTILE) for s in result.surfaces.surfaces))
    quality = replace(result.quality, reasons=(HOSTILE,))
    lead = replace(result.lead, config=config)
    return replace(result, lead=lead, plan=plan, parts=parts, surfaces=surfaces, quality=quality)


@pytest.fixture(scope="module")
def hostile_files():
    result = hostile_result()
    sheets = build_sheets(result)
    return {name: content for writer in WRITERS for name, content in writer(result, sheets).items()}


def test_foreign_text_is_text_in_every_format(hostile_files):
    import ezdxf
    import openpyxl

    for name, content in hostile_files.items():
        if name.endswith((".html", ".svg")):
            assert b"<script>alert" not in content, name
        if name.endswith(".csv"):
            cells = [cell for row in csv.reader(io.StringIO(content.decode())) for cell in row]
            assert not any(cell.startswith(("=", "@")) for cell in cells), name
    ET.fromstring(hostile_files["layout.svg"])
    for sheet in openpyxl.load_workbook(io.BytesIO(hostile_files["tables.xlsx"])):
        assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)
    drawing = ezdxf.read(io.StringIO(hostile_files["layout.dxf"].decode()))
    assert not drawing.audit().errors
    assert all("%%c" not in t.dxf.text for layout in drawing.layouts for t in layout.query("TEXT"))


def test_foreign_text_stays_on_its_paper(hostile_files):
    import pypdfium2 as pdfium
    for page in pdfium.PdfDocument(hostile_files["crew-sheet.pdf"]):
        ink = np.asarray(page.render(scale=1).to_pil().convert("L"))
        assert ink[:, :20].min() > 250, "nothing left of the margin"
        assert ink[:, -20:].min() > 250, "nothing right of the margin"


def test_six_hundred_feet_keep_every_label_apart():
    result = make_result(columns=(20, 20, 20), rows=(7, 7, 6))
    assert len(result.plan.feet) > 600
    for drawing in build_drawings(result):
        boxes = label_boxes(drawing)
        for k, box in enumerate(boxes):
            others = boxes[k + 1 :]
            clash = (others[:, 0] < box[2]) & (others[:, 2] > box[0]) & (others[:, 1] < box[3]) & (others[:, 3] > box[1])
            assert not clash.any(), drawing.face
    sheets = build_sheets(result)
    pages = build_pages(result, sheets)
    assert sum(len(run.rows) for page in pages.heights for run in page.runs) == len(sheets.stops) == len(result.plan.feet)


def test_infinities_and_missing_levels_do_not_stop_the_sheets():
    result = make_result(columns=(3,), rows=(2,))
    levels = replace(result.levels, planes=(), strings=(), measures=(), posteriors=())
    odd = replace(result, levels=levels)
    sheets = build_sheets(odd)
    for writer in WRITERS:
        writer(odd, sheets)
    assert "no array plane" in sheets.tables["modules"].records()[0]["note"]
