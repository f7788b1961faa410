"""The tables of the contract: columns, numbers, coordinates, harmless text, empty cells."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import replace

import numpy as np
import pytest

from rowplane.config import Config
from rowplane.deliverables.csv_tables import csv_text
from rowplane.deliverables.lengths import Lengths, in_courses, in_pans
from rowplane.deliverables.plain_values import to_plain
from rowplane.deliverables.safe import figure, harmless, plain
from rowplane.deliverables.sheets import build_sheets
from rowplane.frames import scan_to_survey, survey_to_face
from test_7_deliverables.builders import empty_result, make_result

FEET = (
    "foot,face,array,line,rail,kind,u_mm,v_mm,x,y,z,rail_height_mm,load_sag_mm,lift_mm,adjustment_mm,turns,packer_mm,sigma_mm,"
    "string_gap_mm,reach,trust,revision,note"
)
HOOKS = (
    "hook,face,array,rail,rafter,course,pan,u_mm,v_mm,x,y,z,span_mm,seat_height_mm,packer_mm,uplift_N,down_N,downslope_N,"
    "use_percent,governs,trust,note"
)
FACES = (
    "face,pitch_deg,azimuth_deg,area_m2,eave_mm,slope_length_mm,points,rms_mm,gauge_mm,cover_width_mm,tile_rise_mm,"
    "deviation_rms_mm,deviation_max_mm,modules,status,note"
)


def read(table) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(csv_text(table))))


@pytest.mark.parametrize(("name", "columns"), [("feet", FEET), ("hooks", HOOKS), ("faces", FACES)])
@pytest.mark.parametrize("result", [make_result(), empty_result()], ids=["full", "empty"])
def test_columns_are_the_contract(result, name, columns):
    assert csv_text(build_sheets(result).tables[name]).split("\n")[0] == columns


def test_courses_without_columns_leave_the_cover_width_empty():
    """Flat tiles may show courses only: an empty cell, places counted in courses and no pans, null in the result."""
    result, nan = make_result(), math.nan
    pattern = replace(result.surfaces.surfaces[0].pattern, cover_width_mm=nan, cover_width_sd_mm=nan, pan_phase_mm=nan, pan_width_mm=nan)
    mapped = replace(result.surfaces, surfaces=tuple(replace(s, pattern=pattern) for s in result.surfaces.surfaces))
    sheets = build_sheets(replace(result, surfaces=mapped))
    rows = [r for r in read(sheets.tables["faces"]) if r["gauge_mm"]]
    assert rows
    assert all(r["cover_width_mm"] == "" for r in rows)
    assert to_plain(pattern)["cover_width_mm"] is None
    assert in_courses(pattern, 1000.0, 700.0, Lengths("mm"))
    assert in_pans(pattern, 1000.0, 700.0, Lengths("mm")) == ""


@pytest.mark.parametrize("unit", ["m", "ft", "us-ft"])
def test_scan_coordinates_lead_back_to_the_face(unit):
    result = make_result(unit=unit)
    tables = build_sheets(result).tables
    frames = {s.face.id: s.face.frame for s in result.surfaces.surfaces}
    seats = {("feet", "rail_height_mm"), ("hooks", "seat_height_mm")}
    for name, height in sorted(seats):
        for row in read(tables[name]):
            xyz = np.array([[float(row[k]) for k in "xyz"]])
            uvw = survey_to_face(frames[row["face"]], scan_to_survey(result.survey.frame, xyz))[0]
            assert uvw == pytest.approx([float(row["u_mm"]), float(row["v_mm"]), float(row[height])], abs=0.15)


def test_every_foot_row_has_a_lift_in_quarter_turns():
    result = make_result()
    hardware = result.lead.config.hardware
    rows = read(build_sheets(result).tables["feet"])
    assert len(rows) == len(result.plan.feet)
    for row in rows:
        assert float(row["turns"]) * 4 == pytest.approx(round(float(row["turns"]) * 4), abs=1e-9)
        lift = hardware.lift_min_mm + float(row["turns"]) * hardware.thread_pitch_mm
        assert float(row["lift_mm"]) == pytest.approx(lift, abs=5e-4)
        assert float(row["adjustment_mm"]) == pytest.approx(lift - hardware.mid_lift_mm, abs=1e-3)


def test_a_foot_without_a_number_has_no_row():
    result = make_result()
    lost = result.plan.feet[3].id
    levels = replace(result.levels, feet=tuple(f for f in result.levels.feet if f.foot != lost))
    assert lost not in [r["foot"] for r in read(build_sheets(replace(result, levels=levels)).tables["feet"])]


def test_feet_stand_on_rails_that_are_listed_with_two_hooks_or_more():
    tables = build_sheets(make_result()).tables
    rails = {r["rail"]: r for r in read(tables["rails"])}
    assert {r["rail"] for r in read(tables["feet"])} <= set(rails)
    assert all(int(r["hooks"]) >= 2 for r in rails.values())


def test_rail_ends_lie_on_the_straight_line_beyond_the_outer_hooks():
    result = make_result()
    frame = result.surfaces.surfaces[0].face.frame
    row = read(build_sheets(result).tables["rails"])[0]
    end = np.array([[float(row[f"{axis}_end"]) for axis in "xyz"]])
    u, v, w = survey_to_face(frame, scan_to_survey(result.survey.frame, end))[0]
    hooks = [h for h in result.plan.hooks if h.rail == row["rail"]]
    last_foot = [s for f, s in zip(result.plan.feet, result.levels.feet, strict=True) if f.rail == row["rail"]][-1]
    foot_v = result.plan.feet[3].v_mm
    slope = (last_foot.rail_height_mm - hooks[-1].seat_height_mm) / (foot_v - hooks[-1].v_mm)
    assert (u, v) == pytest.approx((float(row["u_mm"]), float(row["v_end_mm"])), abs=0.2)
    assert w == pytest.approx(hooks[-1].seat_height_mm + slope * (v - hooks[-1].v_mm), abs=0.2)


def test_module_corners_lie_on_the_array_plane():
    result = make_result()
    plane = result.levels.planes[0]
    for row in read(build_sheets(result).tables["modules"])[:4]:
        for k in "1234":
            xyz = np.array([[float(row[f"{axis}{k}"]) for axis in "xyz"]])
            frame = result.surfaces.of(row["face"]).face.frame
            u, v, w = survey_to_face(frame, scan_to_survey(result.survey.frame, xyz))[0]
            assert (u, v, w) == pytest.approx((float(row[f"u{k}_mm"]), float(row[f"v{k}_mm"]), plane.height_mm), abs=0.15)


def test_every_face_is_listed_used_or_not():
    rows = {r["face"]: r for r in read(build_sheets(make_result()).tables["faces"])}
    assert rows["A"]["status"] == "used"
    assert rows["A"]["modules"] == "12"
    assert rows["Z"]["status"] == "not used"
    assert rows["Z"]["note"] == "smaller than any array"
    assert rows["Z"]["gauge_mm"] == ""
    assert float(rows["A"]["pitch_deg"]) == pytest.approx(28.0, abs=0.01)
    assert float(rows["B"]["azimuth_deg"]) == pytest.approx(350.0, abs=0.01)


def test_unknown_numbers_are_empty_cells_and_never_nan():
    result = make_result()
    hooks = tuple(replace(h, uplift_N=math.nan, use_percent=math.nan, course=0, pan=0) for h in result.plan.hooks)
    text = csv_text(build_sheets(replace(result, plan=replace(result.plan, hooks=hooks))).tables["hooks"])
    row = next(csv.DictReader(io.StringIO(text)))
    assert (row["uplift_N"], row["use_percent"], row["course"], row["pan"]) == ("", "", "", "")
    assert "nan" not in text.lower()


@pytest.mark.parametrize("text", ["=cmd()", "+1", "-2", "@sum", "  =1+1"])
def test_formulas_are_made_harmless(text):
    # OWASP, 'CSV Injection': a cell must not start with = + - @ tab or carriage return.
    assert harmless(text).startswith("'")


def test_hostile_text_becomes_one_printable_line():
    assert plain("a\r\n\tb\x00\x1b[31m\u202ec\ud800") == "a b[31mc"
    assert plain("שלום 🏠 <script>") == "שלום 🏠 <script>"
    assert len(plain("x" * 5000)) == 300


def test_numbers_have_fixed_decimals_and_no_minus_zero():
    assert figure(-0.0, 1) == "0.0"
    assert figure(math.nan, 1) == ""
    row = read(build_sheets(make_result()).tables["feet"])[0]
    assert len(row["x"].split(".")[1]) == 4
    assert row["sigma_mm"] == "1.90"


def test_revision_follows_input_and_settings_but_not_the_folder():
    base = build_sheets(make_result()).revision
    assert build_sheets(make_result(config=Config.model_validate({"levelling": {"max_tilt_mm": 12}}))).revision != base
    result = make_result()
    other = replace(result.survey, sources=(replace(result.survey.sources[0], sha256="cd" * 32),))
    assert build_sheets(replace(result, survey=other)).revision != base
    moved = replace(result, lead=replace(result.lead, folder=result.lead.folder / "elsewhere"))
    assert build_sheets(moved).revision == base


def test_assumed_values_are_named_unless_given():
    assumed = {key for key, _, _ in build_sheets(make_result()).assumed}
    assert "levelling.max_tilt_mm" in assumed
    assert "placement.setback_mm.eave" in assumed
    result = make_result()
    given = replace(result, lead=replace(result.lead, origins={"levelling.max_tilt_mm": "lead.toml"}))
    assert "levelling.max_tilt_mm" not in {key for key, _, _ in build_sheets(given).assumed}


def test_work_order_sets_outer_feet_of_each_run_first():
    result = make_result()
    stops = [s for s in build_sheets(result).stops if (s.array, s.line) == ("A1", 1)]
    by_u = sorted(stops, key=lambda s: s.u_mm)
    assert [s.foot for s in stops[:2]] == [by_u[0].foot, by_u[-1].foot]
    assert [s.role for s in stops] == ["outer", "outer"] + ["inner"] * (len(stops) - 2)
    assert sorted(s.foot for s in build_sheets(result).stops) == sorted(f.id for f in result.plan.feet)
