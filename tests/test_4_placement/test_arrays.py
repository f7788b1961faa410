"""Modules become arrays: groups, rows, columns, lines, runs, seams."""

from __future__ import annotations

import numpy as np
import pytest

from rowplane.placement.arrays import groups_of, module_array

A, B, GAP = 1000.0, 500.0, 10.0


def rects(*cells: tuple[int, int]) -> np.ndarray:
    """Modules of 1000 × 500 mm at column, row of one grid from (300, 200)."""
    corner = np.array([(300 + i * (A + GAP), 200 + j * (B + GAP)) for i, j in cells], dtype=float)
    return np.hstack([corner, corner + np.array([[A, B]])])


def array_of(*cells: tuple[int, int]):
    return module_array("A1", "A", "landscape", (A, B), GAP, rects(*cells), len(cells))


def test_lines_of_a_full_block() -> None:
    array = array_of((0, 0), (1, 0), (2, 0), (0, 1), (1, 1), (2, 1))
    assert [line.v_mm for line in array.lines] == [200.0, 705.0, 1210.0]
    assert all(line.runs == ((300.0, 3320.0),) for line in array.lines)
    assert all(line.seams_mm == (1305.0, 2315.0) for line in array.lines)
    assert [m.id for m in array.modules] == ["A1-r1c1", "A1-r1c2", "A1-r1c3", "A1-r2c1", "A1-r2c2", "A1-r2c3"]


def test_an_obstacle_breaks_runs_and_keeps_columns() -> None:
    """Row 2 lacks column 2: the top line is broken there, the line below is not, and columns keep their numbers."""
    array = array_of((0, 0), (1, 0), (2, 0), (0, 1), (2, 1))
    assert [(m.row, m.column) for m in array.modules] == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 3)]
    assert array.lines[1].runs == ((300.0, 3320.0),)
    assert array.lines[2].runs == ((300.0, 1300.0), (2320.0, 3320.0))
    assert array.lines[2].seams_mm == ()
    assert array.lines[1].seams_mm == (1305.0, 2315.0)


def test_rows_of_unequal_length_share_the_line_between_them() -> None:
    array = array_of((1, 0), (2, 0), (0, 1), (1, 1), (2, 1), (3, 1))
    assert array.lines[0].runs == ((1310.0, 3320.0),)
    assert array.lines[1].runs == ((300.0, 4330.0),)
    assert array.modules[0].column == 2


def test_rows_that_do_not_touch_are_separate_groups() -> None:
    assert groups_of(rects((0, 0), (1, 0), (0, 2), (1, 2)), GAP, GAP).tolist() == [0, 0, 1, 1]
    assert groups_of(rects((0, 0), (1, 1)), GAP, GAP).tolist() == [0, 1], "corner to corner does not touch"
    assert groups_of(np.zeros((0, 4)), GAP, GAP).tolist() == []


def test_groups_are_counted_from_the_front_left() -> None:
    assert groups_of(rects((5, 1), (0, 0), (8, 0)), GAP, GAP).tolist() == [2, 0, 1]


def test_an_expansion_gap_parts_the_run_and_not_the_array() -> None:
    """Modules either side of a gap 30 mm wider share the plane, but no foot may join them."""
    two = rects((0, 0), (1, 0))
    two[1, [0, 2]] += 30.0
    assert groups_of(two, GAP, GAP + 30.0).tolist() == [0, 0]
    array = module_array("A1", "A", "landscape", (A, B), GAP, two, 2)
    assert array.lines[0].runs == ((300.0, 1300.0), (1340.0, 2340.0))
    assert array.lines[0].seams_mm == ()


def test_shifted_rows_name_every_seam_and_count_columns_along_the_row() -> None:
    bond = rects((0, 0), (1, 0), (0, 1), (1, 1))
    bond[2:, [0, 2]] += 400.0
    array = module_array("A1", "A", "landscape", (A, B), GAP, bond, 4)
    assert array.lines[1].seams_mm == pytest.approx((1305.0, 1705.0))
    assert [(m.row, m.column) for m in array.modules] == [(1, 1), (1, 2), (2, 1), (2, 2)]
    assert groups_of(bond, GAP, GAP).tolist() == [0, 0, 0, 0]
