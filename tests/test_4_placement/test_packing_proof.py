"""The count equals the best of all offsets, found by brute force that shares nothing with the package."""

from __future__ import annotations

import time

import numpy as np
import pytest
import shapely
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from rowplane.placement.erosion import corner_area, sections
from rowplane.placement.packing import Grid
from rowplane.placement.search import Packing, best_packing
from test_4_placement.brute import best_count, random_polygon

GAP = 12.0
LONG, SHORT = 1722.0, 1134.0


def plain(a: float, b: float, aligned: bool = True) -> Grid:
    return Grid(a + GAP, np.zeros(1), b + GAP, np.zeros(1), aligned)


def pack(usable: BaseGeometry, a: float, b: float, least: int = 1, aligned: bool = True) -> Packing:
    return best_packing(sections(corner_area(usable, a, b)), plain(a, b, aligned), least, 0.0, a)


def agrees(seed: int) -> None:
    rng = np.random.default_rng(seed)
    usable = random_polygon(rng)
    a, b = ((LONG, SHORT), (SHORT, LONG))[seed % 2]
    least = 1 + seed % 3
    assert pack(usable, a, b, least).count == best_count(usable, a, b, GAP, least), seed


@pytest.mark.parametrize("seed", range(6))
def test_equals_brute_force(seed: int) -> None:
    agrees(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(6, 206))
def test_equals_brute_force_on_two_hundred_more(seed: int) -> None:
    agrees(seed)


def test_a_row_that_fits_to_the_millimetre_counts() -> None:
    """4 × 3 modules and their gaps exactly; a thousandth less loses a column."""
    width, height = 4 * LONG + 3 * GAP, 3 * SHORT + 2 * GAP
    assert pack(box(0, 0, width, height), LONG, SHORT).count == 12
    assert pack(box(0, 0, width - 1e-3, height), LONG, SHORT).count == 9
    assert pack(box(0, 0, width, height - 1e-3), LONG, SHORT).count == 8


@pytest.mark.parametrize("turn", [0.0, 1e-7, 1e-4, 1.0])
def test_a_nearly_level_eave_costs_what_it_must_and_no_more(turn: float) -> None:
    """An eave that rises by `turn` mm over 6.9 m takes that much from the height, whatever its steepness for the arithmetic."""
    width, height = 4 * LONG + 3 * GAP, 3 * SHORT + 2 * GAP
    tight = Polygon([(0, 0), (width, turn), (width, height + turn), (0, height + turn)])
    assert pack(tight, LONG, SHORT).count == 12
    short = Polygon([(0, 0), (width, turn), (width, height + turn - 0.01), (0, height + turn - 0.01)])
    assert pack(short, LONG, SHORT).count < 12


def test_an_obstacle_is_cut_out_row_by_row() -> None:
    """A chimney over one cell of 5 × 4 costs one module when the grid is tight."""
    width, height = 5 * LONG + 4 * GAP, 4 * SHORT + 3 * GAP
    usable = box(0, 0, width, height).difference(box(LONG + 700, SHORT + 500, LONG + 1000, SHORT + 700))
    assert pack(usable, LONG, SHORT).count == 19


def test_too_small_groups_are_weighed_before_the_offset_is_chosen() -> None:
    """A part with room for one module only counts nothing where groups of two are asked for."""
    usable = MultiPolygon([box(0, 0, 2 * LONG + GAP, SHORT), box(5000, 0, 5000 + LONG, SHORT)])
    assert pack(usable, LONG, SHORT, 1).bound >= pack(usable, LONG, SHORT, 2).count == 2


def test_rows_for_themselves_hold_at_least_as_many() -> None:
    """On a parallelogram every row of its own offset takes the full width; aligned rows cannot."""
    lean = Polygon([(0, 0), (5880, 0), (7880, 3450), (2000, 3450)])
    assert pack(lean, LONG, SHORT, 1, aligned=False).count == 9
    assert pack(lean, LONG, SHORT).count < 9
    for seed in range(20):
        usable = random_polygon(np.random.default_rng(seed))
        assert pack(usable, LONG, SHORT, 1, aligned=False).bound >= pack(usable, LONG, SHORT, 1).bound


def test_no_room_is_an_empty_packing() -> None:
    for usable in (Polygon(), box(0, 0, 1000, 1000)):
        packed = pack(usable, LONG, SHORT)
        assert (packed.count, packed.bound, len(packed.corners_mm)) == (0, 0, 0)


def test_front_is_low_and_the_array_in_the_middle_on_whole_millimetres() -> None:
    packed = best_packing(sections(corner_area(box(100, 50, 9000, 4000), LONG, SHORT)), plain(LONG, SHORT), 2, 4550.0, LONG)
    corners = packed.corners_mm
    assert corners[:, 1].min() == pytest.approx(50.0, abs=1e-9)
    assert abs(0.5 * (corners[:, 0].min() + corners[:, 0].max() + LONG) - 4550.0) <= 0.5
    assert np.allclose(corners[0], np.round(corners[0]), atol=1e-9)


def test_corner_area_is_where_modules_fit() -> None:
    """Any corner in F gives a module inside, any outside gives one that sticks out; both by asking the outline."""
    rng = np.random.default_rng(5)
    for seed in range(10):
        usable = random_polygon(np.random.default_rng(seed))
        free = corner_area(usable, SHORT, 900.0)
        at = rng.uniform(-5000, 5000, (400, 2))
        inside = shapely.contains_xy(free, at)
        rects = shapely.box(at[:, 0], at[:, 1], at[:, 0] + SHORT, at[:, 1] + 900.0)
        assert (inside == shapely.covers(usable, rects)).all()


def test_sixty_modules_in_half_a_second_and_work_grows_with_area() -> None:
    """Both orientations would double it; measured as the better of three runs, because machines have other things to do."""
    chimney = box(6000, 4000, 6900, 4700)

    def seconds(scale: float) -> tuple[float, int]:
        usable = box(0, 0, 14_500 * scale, 9_600 * scale).difference(chimney)
        best = float("inf")
        for _ in range(3):
            start = time.process_time()
            packed = pack(usable, LONG, SHORT, 2)
            best = min(best, time.process_time() - start)
        return best, packed.count

    small, count = seconds(1.0)
    assert count >= 60
    assert small < 0.5
    large, more = seconds(2.0)
    assert more > 3.5 * count
    # Four times the area has four times the offsets at most: area × offsets allows sixteen times, and a constant start.
    assert large < 16 * small + 0.3
