"""Rails, hooks and cuts against every possibility tried one by one, on cases small enough for that."""

from __future__ import annotations

from functools import partial
from itertools import combinations, pairwise

import numpy as np
import pytest

from rowplane.columns import Rafter
from rowplane.config import HardwareConfig, ModuleConfig, SupportsConfig
from rowplane.supports.choose import Limits, choose_rails
from rowplane.supports.cutting import Bar, cutting_stock, splice
from rowplane.supports.grid import Grid, grid_of
from rowplane.supports.hooks import HookLimits, Seat, fewest, most_even, relaxed
from rowplane.supports.rails import Ground, _columns, _hooks_needed, _options, find_rails
from test_5_supports.builders import array_of, pattern


def keeps(grid: Grid, us: tuple[float, ...], limits: Limits) -> bool:
    """Whether rails at `us` through all rows hold every module, said without the integer program."""
    for chain in grid.chains:
        on = sorted(u for u in us if chain.start_mm + grid.half_foot_mm <= u <= chain.end_mm - grid.half_foot_mm)
        if not on or on[0] - chain.start_mm > limits.overhang_mm or chain.end_mm - on[-1] > limits.overhang_mm:
            return False
        if any(b - a > limits.spacing_mm for a, b in pairwise(on)):
            return False
        for m in chain.modules:
            held = [u for u in on if m.rect_mm[0] - grid.half_foot_mm < u < m.rect_mm[2] + grid.half_foot_mm]
            if len(held) < limits.per_edge:
                return False
    return True


@pytest.mark.parametrize("seed", range(25))
def test_fewest_rails(seed: int) -> None:
    """The least number of rails of a rectangular array equals that of all subsets of rafters and pans."""
    rng = np.random.default_rng(seed)
    hardware = HardwareConfig(
        max_foot_spacing_mm=float(rng.integers(900, 1600)), max_row_overhang_mm=float(rng.integers(250, 600)), hook_reach_mm=90
    )
    tiles = pattern(cover=float(rng.integers(220, 380)), pan_phase=float(rng.integers(0, 300)), pan_width=140.0)
    spacing, first = float(rng.integers(450, 800)), float(rng.integers(0, 500))
    rafters = tuple(Rafter(str(k + 1), first + k * spacing, 45.0, 15.0) for k in range(12))
    array = array_of([[400 + 1146 * c for c in range(3)]] * 2)
    grid = grid_of(array, ModuleConfig(), hardware)
    ground = Ground(grid, tiles, rafters, hardware, SupportsConfig())
    limits = Limits(hardware.max_foot_spacing_mm, hardware.max_row_overhang_mm, 2 * int(rng.integers(1, 3)), True, 90.0)
    columns = _columns(ground, 90.0)
    options = _options(ground, columns, True, True, partial(_hooks_needed, ground))
    choice = choose_rails(grid, columns, options, limits)
    least = None
    places: dict[str, list[float]] = {}
    for o in options:
        places.setdefault(columns[o.column].place, []).append(columns[o.column].u_mm)
    for n in range(1, len(places) + 1):
        if any(_any_keeps(grid, [places[p] for p in pick], limits) for pick in combinations(places, n)):
            least = n
            break
    assert (choice.rails if choice else None) == least


def _any_keeps(grid: Grid, windows: list[list[float]], limits: Limits) -> bool:
    """Whether one candidate out of each window makes a set that holds; tried depth first from the left."""
    windows = sorted(windows, key=min)

    def extend(us: tuple[float, ...]) -> bool:
        if len(us) == len(windows):
            return keeps(grid, us, limits)
        return any(extend((*us, u)) for u in windows[len(us)] if not us or 0 < u - us[-1] <= limits.spacing_mm)

    return extend(())


@pytest.mark.parametrize("seed", range(40))
def test_fewest_and_most_even_hooks(seed: int) -> None:
    """Number and evenness of hooks equal the best of all subsets of courses; a relaxation is the smallest that works."""
    rng = np.random.default_rng(seed)
    length = float(rng.uniform(1100, 4200))
    at = np.cumsum(rng.uniform(280, 420, 14)) - 200
    seats = tuple(Seat(float(v), k + 2) for k, v in enumerate(at) if 20 <= v <= length - 20)
    limits = HookLimits(float(rng.uniform(500, 1400)), float(rng.uniform(150, 500)))
    ends = (0.0, length)

    def works(pick: tuple[Seat, ...], lim: HookLimits) -> bool:
        v = [s.v_mm for s in pick]
        return (
            v[0] <= lim.overhang_mm and length - v[-1] <= lim.overhang_mm
            and all(b - a <= lim.span_mm for a, b in pairwise(v))
        )  # fmt: skip

    def price(pick: tuple[Seat, ...]) -> float:
        v = [s.v_mm for s in pick]
        ends_sq = (v[0] / limits.overhang_mm) ** 2 + ((length - v[-1]) / limits.overhang_mm) ** 2
        return ends_sq + sum(((b - a) / limits.span_mm) ** 2 for a, b in pairwise(v))

    every = [p for n in range(2, len(seats) + 1) for p in combinations(seats, n) if works(p, limits)]
    count = fewest(seats, ends, limits)
    assert count == (min(len(p) for p in every) if every else None)
    if count:
        best = min(price(p) for p in every if len(p) == count)
        assert price(most_even(seats, ends, limits, count)) == pytest.approx(best)
    elif len(seats) >= 2:
        cure = relaxed(seats, ends, limits)
        assert cure is not None
        assert works(most_even(seats, ends, cure, fewest(seats, ends, cure) or 0), cure)
        for less in (HookLimits(cure.span_mm - 1, cure.overhang_mm), HookLimits(cure.span_mm, cure.overhang_mm - 1)):
            if less.span_mm >= limits.span_mm and less.overhang_mm >= limits.overhang_mm:
                assert fewest(seats, ends, less) is None


@pytest.mark.parametrize("seed", range(15))
def test_least_stock(seed: int) -> None:
    """The cutting list equals the best of all ways to share out up to seven pieces."""
    rng = np.random.default_rng(seed)
    pieces = [(f"R{k}", float(rng.integers(700, 2600))) for k in range(rng.integers(2, 8))]
    stock, saw = (3000.0, 4200.0), 4.0

    def best(left: tuple[float, ...]) -> float:
        if not left:
            return 0.0
        rest = left[1:]
        totals = []
        for n in range(len(rest) + 1):
            for pick in combinations(range(len(rest)), n):
                used = left[0] + sum(rest[k] for k in pick) + saw * n
                fits = [s for s in stock if used <= s]
                if fits:
                    totals.append(min(fits) + best(tuple(v for k, v in enumerate(rest) if k not in pick)))
        return min(totals)

    cuts = cutting_stock(pieces, stock, saw)
    assert sum(c.stock_mm for c in cuts) == pytest.approx(best(tuple(length for _, length in pieces)))
    assert sorted(p for c in cuts for p in c.pieces) == sorted(pieces)
    assert all(sum(length for _, length in c.pieces) + saw * (len(c.pieces) - 1) <= c.stock_mm for c in cuts)


def test_splices_keep_clear() -> None:
    bar = Bar("R1", (0.0, 9000.0), tuple(np.linspace(300, 8700, 9)), (25.0, 1759.0, 3493.0, 5227.0, 6961.0, 8960.0))
    for from_top in (False, True):
        cut = splice(bar, 4200.0, 100.0, from_top)
        assert not cut.forced
        assert sum(cut.pieces_mm) == pytest.approx(9000.0)
        assert max(cut.pieces_mm) <= 4200.0
        for v in cut.splices_mm:
            assert bar.hooks_mm[1] <= v <= bar.hooks_mm[-2]
            assert min(abs(v - w) for w in (*bar.feet_mm, *bar.hooks_mm)) >= 100.0 - 1e-6


def test_splice_without_place_is_forced() -> None:
    """Three hooks leave end spans only: the splice is made and said."""
    cut = splice(Bar("R1", (0.0, 2400.0), (200.0, 1200.0, 2200.0), (25.0, 2360.0)), 2000.0, 100.0)
    assert cut.forced
    assert sum(cut.pieces_mm) == pytest.approx(2400.0)


def test_cure_is_the_smallest() -> None:
    """Rafters 900 mm apart under modules that want rails at 800 at most: a millimetre less than the cure does not do."""
    hardware = HardwareConfig(max_foot_spacing_mm=800, max_row_overhang_mm=500)
    rafters = tuple(Rafter(str(k), 850 + 900.0 * k, 45.0, 15.0) for k in range(8))
    ground = Ground(grid_of(array_of([[400 + 1734 * c for c in range(3)]], along_u=1722, along_v=1134, orientation="landscape"),
                            ModuleConfig(), hardware), None, rafters, hardware, SupportsConfig())  # fmt: skip
    limits = Limits(800.0, 500.0, 2, True, 0.0)
    found = find_rails(ground, limits)
    assert found is not None
    assert found.cures
    assert found.cures[0] == "rails at 900 instead of 800 mm"
    columns = _columns(ground, 0.0)
    options = _options(ground, columns, True, True, partial(_hooks_needed, ground))
    assert choose_rails(ground.grid, columns, options, Limits(899.0, 500.0, 2, True, 0.0)) is None
