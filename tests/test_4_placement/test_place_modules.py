"""The stage as roof.py calls it: choices, limits, wishes, agreed layouts, and the words for bad input."""

from __future__ import annotations

import re

import pytest
from shapely.geometry import Polygon, box

from rowplane.config import (
    EscapeOpening,
    FixedModule,
    HardwareConfig,
    ModuleConfig,
    PlacementConfig,
    SetbackConfig,
    SiteConfig,
)
from rowplane.model import Face, Layout, Obstacle, Wish
from rowplane.placement import place_modules
from test_4_placement.builders import face, rectangle, surfaces

LANDSCAPE = PlacementConfig(orientation="landscape")
NO_SETBACK = SetbackConfig(eave=0, ridge=0, hip=0, valley=0, verge=0, step=0, obstacle=0)


def place(
    *faces: Face,
    placement: PlacementConfig = LANDSCAPE,
    module: ModuleConfig | None = None,
    site: SiteConfig | None = None,
    wishes: tuple[Wish, ...] = (),
) -> Layout:
    return place_modules(surfaces(*faces), placement, (), module or ModuleConfig(), HardwareConfig(), site or SiteConfig(), wishes)


def texts(layout: Layout, code: str) -> list[str]:
    return [f.text for f in layout.findings if f.code == code]


def total(layout: Layout) -> int:
    return sum(len(a.modules) for a in layout.arrays)


def test_a_plain_face_is_filled_from_the_eave_setback_in_the_middle() -> None:
    layout = place(rectangle(10_000, 6000))
    (array,) = layout.arrays
    assert (array.id, array.face, array.orientation, array.bound) == ("A1", "A", "landscape", 20)
    assert len(array.modules) == 20
    first, last = array.modules[0].rect_mm, array.modules[-1].rect_mm
    assert first[1] == pytest.approx(300.0)
    assert abs(first[0] + last[2] - 10_000) <= 1.0
    assert [line.index for line in array.lines] == [0, 1, 2, 3, 4]
    assert texts(layout, "layout-count") == [
        "Face A: 20 modules; no offset of an aligned grid holds more than 20, the area alone would allow at most 25."
    ]
    assert texts(layout, "setbacks-assumed")


def test_best_takes_the_way_that_holds_more() -> None:
    layout = place(rectangle(10_000, 6000), placement=PlacementConfig())
    assert (layout.arrays[0].orientation, total(layout)) == ("portrait", 24)


def test_a_chimney_that_parts_the_face_makes_two_arrays() -> None:
    wall = Obstacle(box(4800, 0, 5200, 6000), 600.0, "obstacle")
    layout = place(rectangle(10_000, 6000, obstacles=[wall]))
    assert [a.id for a in layout.arrays] == ["A1", "A2"]
    assert all(len(a.modules) == a.bound for a in layout.arrays)


def test_height_of_an_obstacle_can_ask_for_more_room() -> None:
    flue = Obstacle(box(4900, 2900, 5100, 3100), 2000.0, "obstacle")
    near = place(rectangle(10_000, 6000, obstacles=[flue]))
    far = place(
        rectangle(10_000, 6000, obstacles=[flue]), placement=LANDSCAPE.model_copy(update={"obstacle_height_factor": 0.5})
    )
    assert total(far) < total(near)
    for module in (m for a in far.arrays for m in a.modules):
        assert box(*module.rect_mm).distance(flue.outline) >= 1000.0 - 1e-6


@pytest.mark.parametrize(
    ("module", "site", "words"),
    [
        (ModuleConfig(held_short=False), SiteConfig(), "portrait module is held at its short edges, which the data sheet"),
        (ModuleConfig(), SiteConfig(pressure_up_Pa=2000), "allowed up to 1600 Pa; the site asks for 2000 Pa"),
    ],
)
def test_an_orientation_is_refused_with_the_reason(module: ModuleConfig, site: SiteConfig, words: str) -> None:
    layout = place(rectangle(10_000, 6000), placement=PlacementConfig(), module=module, site=site)
    assert layout.arrays[0].orientation == "landscape"
    assert words in texts(layout, "orientation-refused")[0]
    alone = place(rectangle(10_000, 6000), placement=PlacementConfig(orientation="portrait"), module=module, site=site)
    assert not alone.arrays
    assert words in texts(alone, "no-layout")[0]


def test_a_face_that_looks_elsewhere_or_is_not_used_gets_none() -> None:
    sector = PlacementConfig(azimuth_from_deg=90, azimuth_to_deg=270)
    layout = place(
        rectangle(10_000, 6000),
        rectangle(10_000, 6000, name="B", azimuth=10.0),
        rectangle(9000, 6000, name="C", used=False, note="too flat"),
        placement=sector,
    )
    assert [a.face for a in layout.arrays] == ["A"]
    assert texts(layout, "face-not-used") == [
        "Face B gets no modules: it looks to 10°, outside the sector 90° to 270°.",
        "Face C gets no modules: too flat.",
    ]
    round_north = PlacementConfig(azimuth_from_deg=300, azimuth_to_deg=60)
    assert [a.face for a in place(rectangle(9000, 6000, azimuth=10.0), placement=round_north).arrays] == ["A"]


def test_a_greatest_count_keeps_the_sunniest_face_and_whole_lower_rows() -> None:
    limit = LANDSCAPE.model_copy(update={"max_modules": 12, "rank_by": "noon"})
    north, south = rectangle(10_000, 6000, azimuth=0.0), rectangle(10_000, 6000, name="B", azimuth=180.0)
    layout = place(north, south, placement=limit, site=SiteConfig(latitude_deg=48))
    (array,) = layout.arrays
    assert (array.face, len(array.modules), array.bound) == ("B", 12, 20)
    assert [sum(m.row == r for m in array.modules) for r in (1, 2, 3)] == [5, 5, 2]
    assert "B, A" in texts(layout, "faces-ranked")[0]
    down_under = place(north, south, placement=limit, site=SiteConfig(latitude_deg=-33))
    assert down_under.arrays[0].face == "A"


def test_no_single_leftover() -> None:
    """Room for one module beside a wall: with two as the least, it stays empty and is counted."""
    room = face([(0, 0), (4000, 0), (4000, 1200), (0, 1200)])
    lone = face([(0, 0), (2000, 0), (2000, 1200), (0, 1200)], name="B")
    layout = place(room, lone, placement=LANDSCAPE.model_copy(update={"setback_mm": NO_SETBACK}))
    assert [(a.face, len(a.modules)) for a in layout.arrays] == [("A", 2)]
    assert "only 1 modules fit" in texts(layout, "face-not-used")[0]


def test_drop_leaves_everything_else_where_it_is() -> None:
    before = place(rectangle(10_000, 6000))
    top = tuple(m.rect_mm for m in before.arrays[0].modules if m.row == 4)
    after = place(rectangle(10_000, 6000), wishes=(Wish("drop", "A", top, float("nan"), "out of travel"),))
    assert [m.rect_mm for m in after.arrays[0].modules] == [m.rect_mm for m in before.arrays[0].modules if m.row < 4]
    assert after.arrays[0].bound == 20
    assert "out of travel" in texts(after, "modules-dropped")[0]
    elsewhere = place(rectangle(10_000, 6000), wishes=(Wish("drop", "A", ((0.0, 0.0, 10.0, 10.0),), 0.0, "mistaken"),))
    assert texts(elsewhere, "wish-not-met")


def test_split_parts_the_array_by_the_room_of_two_rail_ends() -> None:
    before = place(rectangle(10_000, 6000))
    line = before.arrays[0].lines[2].v_mm
    after = place(rectangle(10_000, 6000), wishes=(Wish("split", "A", (), line, "bowed"),))
    assert [(a.id, len(a.modules)) for a in after.arrays] == [("A1", 10), ("A2", 10)]
    lower, upper = after.arrays
    hardware = HardwareConfig()
    assert upper.lines[0].v_mm - lower.lines[-1].v_mm == pytest.approx(12 + hardware.rail_past_mm + hardware.rail_end_mm)
    assert upper.modules[0].rect_mm[0] == lower.modules[0].rect_mm[0], "seams stay aligned"


def test_a_split_without_room_loses_the_top_row_and_says_so() -> None:
    tight = rectangle(10_000, 600 + 4 * 1134 + 3 * 12)
    line = place(tight).arrays[0].lines[2].v_mm
    after = place(tight, wishes=(Wish("split", "A", (), line, "bowed"),))
    assert [len(a.modules) for a in after.arrays] == [10, 5]
    assert "5 modules left out" in texts(after, "modules-dropped")[0]


def test_an_array_above_moves_along_with_a_split() -> None:
    """A tall face has two arrays, parted for the rails' growth; a split in the lower one must not push into the upper."""
    tall = rectangle(4200, 21_500)
    line = place(tall).arrays[0].lines[3].v_mm
    after = place(tall, wishes=(Wish("split", "A", (), line, "bowed"),))
    assert len(after.arrays) == 3
    for lower, upper in zip(after.arrays[:-1], after.arrays[1:], strict=True):
        assert upper.lines[0].v_mm - lower.lines[-1].v_mm >= 12 + 40 + 25 - 1e-6


def test_wishes_are_carried_out_in_their_order() -> None:
    """A second wish speaks of the layout that the first has left."""
    plain = place(rectangle(10_000, 6000))
    split = Wish("split", "A", (), plain.arrays[0].lines[2].v_mm, "bowed")
    second = place(rectangle(10_000, 6000), wishes=(split,))
    row = tuple(m.rect_mm for m in second.arrays[1].modules if m.row == 2)
    both = place(rectangle(10_000, 6000), wishes=(split, Wish("drop", "A", row, 0.0, "too high")))
    assert [len(a.modules) for a in both.arrays] == [10, 5]


def test_an_agreed_layout_is_kept_and_checked() -> None:
    good = tuple(FixedModule(face="A", u_mm=400 + k * 1734, v_mm=300) for k in range(3))
    layout = place(rectangle(10_000, 6000), placement=PlacementConfig(fixed=good))
    assert (layout.arrays[0].orientation, total(layout)) == ("landscape", 3)
    assert not texts(layout, "fixed-layout")
    bad = (
        *good,
        FixedModule(face="A", u_mm=8400, v_mm=300),
        FixedModule(face="A", u_mm=500, v_mm=900),
        FixedModule(face="Z", u_mm=0, v_mm=0),
    )
    wrong = place(rectangle(10_000, 6000), placement=LANDSCAPE.model_copy(update={"fixed": bad}))
    said = " ".join(texts(wrong, "fixed-layout"))
    assert total(wrong) == 5
    assert "leaves the usable area by 422 mm" in said
    assert "moved by -422 mm along u and +0 mm along v it would lie inside" in said
    assert "overlap by" in said
    assert "face Z, which this roof has not" in said
    assert all(f.severity == "person" for f in wrong.findings if f.code == "fixed-layout")


def test_the_move_that_an_agreed_module_needs_is_enough_and_no_longer() -> None:
    """A module in the corner of a hip and one over the ridge: moved as said they lie inside; moved a little less they do not."""
    hip = face([(0, 0), (10_000, 0), (7000, 5000), (3000, 5000)], ["eave", "hip", "ridge", "hip"])
    for u, v in ((400.0, 350.0), (4200.0, 4600.0), (7600.0, 2500.0)):

        def said(u: float, v: float) -> list[str]:
            fixed = (FixedModule(face="A", u_mm=u, v_mm=v),)
            return texts(place(hip, placement=LANDSCAPE.model_copy(update={"fixed": fixed})), "fixed-layout")

        (told,) = said(u, v)
        du, dv = (float(by) for by in re.search(r"moved by ([+-][\d.]+) mm along u and ([+-][\d.]+) mm along v", told).groups())
        assert not said(u + du, v + dv)
        assert said(u + 0.97 * du, v + 0.97 * dv)


def test_ways_that_do_not_fit_name_the_width_that_would() -> None:
    """Two gables of one roof, the second 3 m wide: ways of 3.2 m would do on one of them only. Three ways never will."""
    wide, slim = rectangle(12_000, 5000), rectangle(3000, 5000, name="B", azimuth=0.0)

    def said(path_mm: float, least: int) -> str:
        layout = place(wide, slim, placement=PlacementConfig(path_mm=path_mm, paths_least=least, path_beside=False))
        return next(f.text for f in layout.findings if f.code == "access-path")

    assert "ways of 3000 mm would meet it" in said(3200, 2)
    assert "does not meet" not in said(3000, 2)
    assert "no narrower ways would meet it" in said(914, 3)


def test_a_module_larger_than_the_face_is_said_with_the_largest_that_would_fit() -> None:
    """2.4 m of slope under a module of 2.9 × 4 m: no setback cures it; one of its shape may measure 3310 × 2400 mm."""
    module = ModuleConfig(width_mm=2900, height_mm=4000)
    layout = place_modules(surfaces(rectangle(9000, 2400)), PlacementConfig(), (), module, HardwareConfig(), SiteConfig())
    said = texts(layout, "no-layout")[0]
    assert "even without any, a module of its shape may measure" in said
    across, up = (float(n) for n in re.search(r"may measure (\d+) × (\d+) mm", said).groups())
    assert up == pytest.approx(2400, abs=3)
    assert across == pytest.approx(2400 * 4000 / 2900, abs=5)


def test_setbacks_that_eat_the_face_name_the_smallest_cure() -> None:
    """Two rows need 2280 mm; the face has 2850 − 600 = 2250: 270 instead of 300 mm at eave or ridge is enough for two rows,
    but one row fits anyway, so a lower face is used: 1134 needed, 1720 − 600 = 1120 there."""
    layout = place(rectangle(10_000, 1720))
    assert not layout.arrays
    text = texts(layout, "no-layout")[0]
    assert "the largest usable rectangle of a module's shape is" in text
    assert "a module needs 1722 × 1134 mm (landscape)" in text
    assert "setback 280 instead of 300 mm would let 5 modules in" in text


def test_groups_too_small_name_the_size_that_would_do() -> None:
    layout = place(rectangle(10_000, 6000), placement=LANDSCAPE.model_copy(update={"min_modules": 40, "setback_mm": NO_SETBACK}))
    assert "min_modules = 25 would let 25 in" in texts(layout, "no-layout")[0]
    assert total(place(rectangle(10_000, 6000), placement=LANDSCAPE.model_copy(update={"min_modules": 25, "setback_mm": NO_SETBACK}))) == 25


def test_setbacks_that_leave_nothing_and_a_face_below_one_module() -> None:
    eaten = place(rectangle(5000, 590))
    assert "setbacks and obstacles leave nothing" in texts(eaten, "no-layout")[0]
    small = place(rectangle(1000, 1000))
    assert "its 1.00 m² are less than one module of 1.95 m²" in texts(small, "no-layout")[0]


def test_a_self_crossing_outline_is_said_and_the_rest_goes_on() -> None:
    bow = rectangle(10_000, 6000)
    crossed = Face(**{**bow.__dict__, "id": "B", "outline": Polygon([(0, 0), (10_000, 6000), (10_000, 0), (0, 6000)])})
    layout = place(bow, crossed)
    assert "crosses itself" in texts(layout, "outline-repaired")[0]
    assert any(a.face == "A" for a in layout.arrays)


def test_outline_without_an_edge_keeps_the_widest_setback() -> None:
    bare = Face(**{**rectangle(10_000, 6000).__dict__, "edges": ()})
    layout = place(bare)
    assert total(layout) == 20
    assert "belong to no edge" in texts(layout, "outline-repaired")[0]


def test_nothing_in_nothing_out() -> None:
    layout = place()
    assert (layout.arrays, layout.usable) == ((), ())
    assert texts(layout, "no-layout") == ["There is no face to lay modules on."]


def test_long_rows_are_parted_and_tall_columns_become_two_arrays() -> None:
    """23e-6/K × 80 K lets 30 mm of growth come from 16.3 m: nine landscape modules, or fourteen rows."""
    wide = place(rectangle(24_000, 3000))
    (array,) = wide.arrays
    assert len(array.lines[0].runs) == 2
    (a, b), (c, d) = array.lines[0].runs
    assert c - b == pytest.approx(42.0)
    assert max(b - a, d - c) <= 30 / (23e-6 * 80)
    tall = place(rectangle(4200, 20_000))
    assert [a.id for a in tall.arrays] == ["A1", "A2"]
    assert tall.arrays[1].lines[0].v_mm - tall.arrays[0].lines[-1].v_mm == pytest.approx(12 + 30 + 40 + 25 - 12)


def test_below_an_escape_opening_nothing_stands() -> None:
    window = EscapeOpening(face="A", u_from_mm=4600, u_to_mm=5400, v_mm=3500)
    layout = place(rectangle(10_000, 6000), placement=LANDSCAPE.model_copy(update={"escapes": (window,), "path_mm": 914.4}))
    below = box(5000 - 457.2, 0, 5000 + 457.2, 3500)
    assert all(box(*m.rect_mm).intersection(below).area < 1.0 for a in layout.arrays for m in a.modules)


def test_same_input_same_output() -> None:
    flue = Obstacle(box(4900, 2900, 5300, 3300), 500.0, "obstacle")
    one, two = (place(rectangle(10_000, 6000, obstacles=[flue]), placement=PlacementConfig()) for _ in range(2))
    assert one.arrays == two.arrays
    assert one.findings == two.findings
