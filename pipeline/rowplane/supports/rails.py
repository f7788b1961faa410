"""Which rails an array gets: the options that rafters, pans and courses leave, and the smallest cure where none will do."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache, partial
from typing import Any, Literal

from rowplane.columns import Column, Rafter, change_in_words, change_of, farthest_mm, find_columns, in_pan, loosest_mm
from rowplane.config import HardwareConfig, SupportsConfig, greatest
from rowplane.model import TilePattern
from rowplane.supports.choose import Choice, Limits, Option, choose_rails
from rowplane.supports.grid import Grid
from rowplane.supports.hooks import HookLimits, Seat, fewest, relaxed, seats_along

RELAXED_HOOKS = 100
"""Added to the hook count of a rail whose hooks cannot keep their limits: such a rail is taken only where none else is."""


MANY_OPTIONS = 1500
"""Rails to choose from beyond which a cure is found to an eighth of its room, not to the millimetre."""
CURE_ORDERS = (
    ("reach_mm", "overhang_mm", "spacing_mm", "zones", "feet"),
    ("feet", "zones", "overhang_mm", "spacing_mm", "reach_mm"),
)
"""Orders in which several relaxed limits are tightened again."""


@dataclass(frozen=True)
class Ground:
    """What the rails of one array stand on: its grid, the face's pattern and rafters, and the settings."""

    grid: Grid
    pattern: TilePattern | None
    rafters: tuple[Rafter, ...]
    hardware: HardwareConfig
    supports: SupportsConfig

    @property
    def hook_limits(self) -> HookLimits:
        """Span and overhang of the data sheet."""
        return HookLimits(self.hardware.max_hook_span_mm, self.hardware.max_rail_overhang_mm)

    def ends_v(self, first: int, last: int) -> tuple[float, float]:
        """Where a rail over the rows `first`…`last` starts and ends."""
        front, top = self.grid.line_v(first - 1), self.grid.line_v(last)
        return front - self.hardware.rail_end_mm, top + self.hardware.rail_past_mm

    def seats(self, u_mm: float, ends_v: tuple[float, float]) -> tuple[Seat, ...]:
        """Places for hooks along a rail."""
        return seats_along(u_mm, ends_v, self.pattern, self.supports, self.hardware)


@dataclass(frozen=True)
class RailSet:
    """The chosen rails: columns with their rows, the limits they keep, and what had to be relaxed, in words."""

    columns: tuple[Column, ...]
    choice: Choice
    limits: Limits
    cures: tuple[str, ...]


def asked_limits(ground: Ground, feet_per_module: int) -> Limits:
    """The limits of the data sheets. Where rafters are not known, rails are planned whole assumed spacings apart.

    Rails must end up on rafters: with rafters 600 mm apart a limit of 1300 mm means 1200 mm on the roof.
    """
    hardware = ground.hardware
    spacing = hardware.max_foot_spacing_mm
    if not ground.rafters:
        assumed = ground.supports.assumed_rafter_spacing_mm
        spacing = max(math.floor(spacing / assumed), 1) * assumed if spacing >= assumed else spacing
    overhang = min(hardware.max_row_overhang_mm, spacing)
    return Limits(spacing, overhang, feet_per_module, True, hardware.hook_reach_mm)


def find_rails(ground: Ground, limits: Limits) -> RailSet | None:
    """The smallest set of rails within `limits`, else within the smallest relaxation; None where nothing can carry it."""

    alike = len(_block_ends(ground.grid)[0]) < len(ground.grid.rows)

    @cache
    def hooks(u_mm: float, first: int, last: int) -> int | None:
        return _hooks_needed(ground, u_mm, first, last)

    @cache
    def ready(reach_mm: float, zones: bool, merged: bool) -> tuple[tuple[Column, ...], tuple[Option, ...]]:
        columns = _columns(ground, reach_mm)
        return columns, _options(ground, columns, zones, merged, hooks)

    def attempt(wanted: Limits, aim: Literal["any", "even"]) -> RailSet | None:
        # Rows alike are one row to a rail; only skewed pans can make it necessary to end a rail between such rows. The search
        # for a cure asks many times and does without.
        for merged in ((True, False) if aim == "even" else (True,)) if alike else (False,):
            columns, options = ready(wanted.reach_mm, wanted.zones, merged)
            choice = choose_rails(ground.grid, columns, options, wanted, aim)
            if choice is not None:
                return RailSet(columns, choice, wanted, ())
        return None

    found = attempt(limits, "even")
    if found is not None:
        return found
    top = _loosest(ground, limits)
    many = len(ready(top.reach_mm, top.zones, alike)[1]) > MANY_OPTIONS
    cured = _smallest_cure(limits, top, many, lambda wanted: attempt(wanted, "any") is not None)
    if cured is None:
        return None
    wanted, words = cured
    found = attempt(wanted, "even")
    return None if found is None else replace(found, cures=words)


def why_none(ground: Ground) -> str:
    """Why not even the loosest limits let rails stand: courses, pans, or too few rafters; half a sentence."""
    top = _loosest(ground, asked_limits(ground, 2))
    columns = _columns(ground, top.reach_mm)
    standing = [c for c in columns if any(_may_hold(ground, c, row, zones=False) for row in ground.grid.rows)]
    options = _options(ground, columns, False, False, partial(_hooks_needed, ground))
    if not columns and ground.rafters:
        start, end = min(c.start_mm for c in ground.grid.chains), max(c.end_mm for c in ground.grid.chains)
        away = min(max(start - r.u_mm, r.u_mm - end, 0.0) for r in ground.rafters)
        most = greatest(HardwareConfig, "hook_reach_mm")
        return f"its next rafter lies {away:,.0f} mm beside it, and arms can be set to {most:,.0f} mm at most"
    if not standing:
        return "no pan runs straight up under a whole row"
    if not options and ground.pattern is not None:
        low, high = ground.ends_v(ground.grid.rows[0], ground.grid.rows[-1])
        return f"its longest rail, {high - low:,.0f} mm, meets fewer than two courses, {ground.pattern.gauge_mm:,.0f} mm apart"
    if not options:
        return "its rails are too short for two hooks"
    places = {columns[o.column].place for o in options}
    return (
        "its rows need more rails, or rails elsewhere, than its rafters or pans let stand within any limits that can be set "
        f"({len(places)}, one rail to each)"
    )


def _columns(ground: Ground, reach_mm: float) -> tuple[Column, ...]:
    grid = ground.grid
    span_u = (min(c.start_mm for c in grid.chains) + grid.half_foot_mm, max(c.end_mm for c in grid.chains) - grid.half_foot_mm)
    span_v = ground.ends_v(grid.rows[0], grid.rows[-1])
    # Where a rafter leaves little choice a foot may have to stand right at a row's end, or on the joint of two modules.
    half = grid.half_foot_mm
    marks = {math.floor(m.rect_mm[2] + half - 1.0) for c in grid.chains for m in c.modules}
    marks |= {math.ceil(m.rect_mm[0] - half + 1.0) for c in grid.chains for m in c.modules}
    marks |= {u for c in grid.chains for u in (math.ceil(c.start_mm + half), math.floor(c.end_mm - half))}
    return find_columns(
        span_u, span_v, ground.pattern, ground.rafters, reach_mm, ground.hardware, sorted(marks) if ground.rafters else ()
    )


def _options(
    ground: Ground,
    columns: Sequence[Column],
    zones: bool,
    merged: bool,
    hooks_needed: Callable[[float, int, int], int | None],
) -> tuple[Option, ...]:
    """Every rail that could stand in a column: unbroken stretches of rows that it may hold."""
    grid = ground.grid
    firsts, lasts = _block_ends(grid) if merged else (set(grid.rows), set(grid.rows))
    options = []
    for index, column in enumerate(columns):
        free = {row for row in grid.rows if _may_hold(ground, column, row, zones)}
        for first in sorted(free & firsts):
            last = first
            while last in free:
                if last in lasts and (hooks := hooks_needed(column.u_mm, first, last)) is not None:
                    options.append(Option(index, first, last, hooks))
                last += 1
    return tuple(options)


def _block_ends(grid: Grid) -> tuple[set[int], set[int]]:
    """First and last rows of the stretches of rows that are alike."""
    shape = {
        row: tuple((round(m.rect_mm[0]), round(m.rect_mm[2])) for c in grid.of_row(row) for m in c.modules) for row in grid.rows
    }
    firsts = {r for r in grid.rows if shape.get(r - 1) != shape[r]}
    return firsts, {r for r in grid.rows if shape.get(r + 1) != shape[r]}


def _may_hold(ground: Ground, column: Column, row: int, zones: bool) -> bool:
    grid, u = ground.grid, column.u_mm
    half = grid.half_foot_mm
    if not any(c.start_mm + half - 1e-6 <= u <= c.end_mm - half + 1e-6 for c in grid.of_row(row)):
        return False
    if ground.pattern is not None and not in_pan(ground.pattern, ground.hardware, column.pan, u, ground.ends_v(row, row)):
        return False
    if not zones:
        return True
    return all(grid.in_zone(d) for line in (row - 1, row) for _, d in grid.touched(line, u))


def _hooks_needed(ground: Ground, u_mm: float, first: int, last: int) -> int | None:
    ends = ground.ends_v(first, last)
    seats = ground.seats(u_mm, ends)
    count = fewest(seats, ends, ground.hook_limits)
    if count is not None:
        return count
    cure = relaxed(seats, ends, ground.hook_limits)
    return None if cure is None else (fewest(seats, ends, cure) or 0) + RELAXED_HOOKS


def _smallest_cure(
    limits: Limits, top: Limits, many: bool, works: Callable[[Limits], bool]
) -> tuple[Limits, tuple[str, ...]] | None:
    """The relaxation of one limit alone that changes it least, else of several tightened in turn; with words for each.

    `top` are the loosest limits there are; with `many` rails to choose from, lengths are found coarsely.
    """
    singles = []
    for name in ("spacing_mm", "overhang_mm", "reach_mm", "zones", "feet"):
        loose = _with(limits, name, getattr(top, name))
        if loose != limits and works(loose):
            singles.append(_tighten(loose, limits, name, many, works))
    if singles:
        singles.sort(key=lambda cured: change_of(asdict(cured), asdict(limits)))
        return singles[0], tuple(change_in_words(asdict(cured), asdict(limits)) for cured in singles)
    if not works(top):
        return None
    # What is tightened first gives least, so both ends of the list have their turn.
    cures = []
    for order in CURE_ORDERS[:1] if many else CURE_ORDERS:
        cured = top
        for name in order:
            cured = _tighten(cured, limits, name, many, works)
        cures.append(cured)
    best = min(cures, key=lambda cured: change_of(asdict(cured), asdict(limits)))
    return best, (change_in_words(asdict(best), asdict(limits)),)


def _loosest(ground: Ground, limits: Limits) -> Limits:
    chains = ground.grid.chains
    widest = max(c.end_mm - c.start_mm for c in chains)
    span_u = (min(c.start_mm for c in chains), max(c.end_mm for c in chains))
    lengths = loosest_mm(asdict(limits), widest, farthest_mm(ground.rafters, span_u))
    return Limits(**lengths, feet=min(limits.feet, 2), zones=False)


def _with(limits: Limits, name: str, value: Any) -> Limits:
    return replace(limits, **{name: value})


def _tighten(loose: Limits, limits: Limits, name: str, many: bool, works: Callable[[Limits], bool]) -> Limits:
    """`loose` with one limit as near to what was asked as works: feet two by two, one on each held edge, lengths to the
    millimetre or, for `many`, coarsely."""
    asked = _with(loose, name, getattr(limits, name))
    if asked == loose or works(asked):
        return asked
    if name == "zones":
        return loose
    if name == "feet":
        fewer = (_with(loose, name, n) for n in range(2 * limits.per_edge - 2, loose.feet, -2))
        return next((cured for cured in fewer if works(cured)), loose)
    low, high = math.floor(getattr(limits, name)), math.ceil(getattr(loose, name))
    near = max(1, (high - low) // 8) if many else 1
    while high - low > near:
        middle = (low + high) // 2
        if works(_with(loose, name, float(middle))):
            high = middle
        else:
            low = middle
    return _with(loose, name, float(high))
