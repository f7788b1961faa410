"""Places for hooks along a rail, and which of them are taken, at the very edges of what is allowed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rowplane.config import HardwareConfig, SupportsConfig
from rowplane.supports.hooks import HookLimits, Seat, fewest, most_even, relaxed, seats_along
from test_5_supports.builders import pattern

HARDWARE = HardwareConfig(arm_width_mm=40)


def seats_at(*v_mm: float) -> tuple[Seat, ...]:
    return tuple(Seat(v, k) for k, v in enumerate(v_mm, start=2))


@pytest.mark.parametrize(("length", "last_step"), [(540.0, 0.0), (550.0, 10.0), (540.5, 0.5)])
def test_without_courses_seats_fill_the_rail_from_arm_to_arm(length: float, last_step: float) -> None:
    """Half an arm from both ends, 25 mm apart; the upper end is one of them where the grid misses it by more than 1 mm."""
    v = [s.v_mm for s in seats_along(0.0, (100.0, 100.0 + length), None, SupportsConfig(), HARDWARE)]
    want = [120.0 + 25 * k for k in range(21)]
    assert v == pytest.approx([*want, 620.0 + last_step] if last_step > 1 else want)
    assert seats_along(0.0, (0.0, 39.0), None, SupportsConfig(), HARDWARE) == ()


@pytest.mark.parametrize("drift", [-3.0, 0.0, 2.0])
def test_all_courses_on_the_rail_are_seats_whatever_the_drift(drift: float) -> None:
    """Every nose from the second on that keeps half an arm from both ends, those right at the ends too."""
    tiles = replace(pattern(gauge=330.0), drift_mm=drift)
    k = np.arange(2, 60)
    noses = (k - 1) * 330.0 + 0.5 * (k - 1) * (k - 2) * drift
    # Where the gauge shrinks, noses turn back in the end: no roof is that long.
    noses = noses[: int(np.argmax(noses)) + 1]
    first, last = float(noses[3]), float(noses[18])
    found = seats_along(0.0, (first - 20.0, last + 20.0), tiles, SupportsConfig(), HARDWARE)
    assert [s.v_mm for s in found] == pytest.approx(noses[3:19])
    assert [s.course for s in found] == list(range(5, 21))
    closer = seats_along(0.0, (first - 19.9, last + 19.9), tiles, SupportsConfig(), HARDWARE)
    assert [s.course for s in closer] == list(range(6, 20))


def test_the_first_nose_is_no_seat() -> None:
    found = seats_along(0.0, (-500.0, 1000.0), pattern(gauge=330.0), SupportsConfig(), HARDWARE)
    assert [s.course for s in found] == [2, 3]


def test_limits_may_be_used_up() -> None:
    """Seats exactly at the overhang from both ends and a span apart; a hundredth beyond any of them is none."""
    seats, ends = seats_at(200.0, 1000.0, 1800.0), (0.0, 2000.0)
    assert fewest(seats, ends, HookLimits(800.0, 200.0)) == 3
    assert most_even(seats, ends, HookLimits(800.0, 200.0), 3) == seats
    for limits in (HookLimits(799.99, 200.0), HookLimits(800.0, 199.99)):
        assert fewest(seats, ends, limits) is None
        assert most_even(seats, ends, limits, 3) == ()


def test_evenness_weighs_overhangs_by_the_square() -> None:
    """Two hooks on 1000 mm: 100 and 900 (0.765), not 100 and 1000 (0.87) or 200 and 900 (0.80)."""
    seats = seats_at(100.0, 200.0, 900.0, 1000.0)
    assert [s.v_mm for s in most_even(seats, (0.0, 1000.0), HookLimits(1000.0, 400.0), 2)] == [100.0, 900.0]
    turned = seats_at(0.0, 100.0, 800.0, 900.0)
    assert [s.v_mm for s in most_even(turned, (0.0, 1000.0), HookLimits(1000.0, 400.0), 2)] == [100.0, 900.0]


def test_span_and_overhang_are_relaxed_together_where_neither_alone_will_do() -> None:
    """Seats 700, 600 and 400 apart, 250 and 300 from the ends, under 500 and 200: 700 and 300 it takes."""
    seats, ends = seats_at(250.0, 950.0, 1550.0, 1950.0), (0.0, 2250.0)
    assert relaxed(seats, ends, HookLimits(500.0, 200.0)) == HookLimits(700.0, 300.0)
    assert relaxed(seats, ends, HookLimits(500.0, 300.0)) == HookLimits(700.0, 300.0)
    assert relaxed(seats, ends, HookLimits(700.0, 200.0)) == HookLimits(700.0, 300.0)
    assert relaxed(seats[:2], (0.0, 1250.0), HookLimits(500.0, 200.0)) == HookLimits(700.0, 300.0)
    assert relaxed(seats[:1], (0.0, 500.0), HookLimits(500.0, 200.0)) is None
