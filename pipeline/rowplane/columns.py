"""Where a rail may run: the u at which a hook finds a rafter below and a pan beside it.

Asked by placement, which lays rows so that rails can stand under them, and by supports, which chooses the rails.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rowplane.config import HardwareConfig, RafterConfig, greatest
from rowplane.frames import azimuth_deg
from rowplane.model import Face, TilePattern

STEP_MM = 30.0
"""Distance of neighbouring candidates inside one window; its ends and middle are always among them."""

FREE_STEP_MM = 150.0
"""Distance of candidates where neither rafters nor pans are known."""

LIMIT_IN_WORDS = {
    "spacing_mm": "rails at {:,.0f} instead of {:,.0f} mm",
    "overhang_mm": "row ends {:,.0f} instead of {:,.0f} mm past the outer foot",
    "reach_mm": "arms {:,.0f} instead of {:,.0f} mm beside the rafter's middle",
    "feet": "{} instead of {} feet at some modules",
    "zones": "feet outside the module's holding zones",
}
"""How a cure is said, in this order: what it would take, and what is asked."""

LIMIT_SETTINGS = {"spacing_mm": "max_foot_spacing_mm", "overhang_mm": "max_row_overhang_mm", "reach_mm": "hook_reach_mm"}
"""Where the hardware's data sheet holds the lengths of LIMIT_IN_WORDS: what no lead can set is no cure."""


@dataclass(frozen=True)
class Rafter:
    """One rafter: its count from the left end of the face, its middle's u, and how well that is known."""

    name: str
    u_mm: float
    width_mm: float
    tolerance_mm: float


@dataclass(frozen=True)
class Column:
    """One possible rail position. `rafter` None and `pan` 0 where not known; `place` names the rafter or pan it uses up."""

    u_mm: float
    rafter: Rafter | None
    pan: int
    place: str


def rafter_section(face: Face, sections: Sequence[RafterConfig]) -> RafterConfig | None:
    """The section of the lead that describes this face: nearest azimuth within 20°, else one without azimuth, else None."""
    looks = azimuth_deg(face.frame)
    near = []
    for section in sections:
        if section.azimuth_deg is None:
            near.append((90.0, section))
        elif (off := abs((section.azimuth_deg - looks + 180.0) % 360.0 - 180.0)) <= 20.0:
            near.append((off, section))
    return min(near, key=lambda pair: pair[0])[1] if near else None


def rafters_of(face: Face, section: RafterConfig | None) -> tuple[Rafter, ...]:
    """All rafters under a face's outline, counted from its left end; empty where nothing is known."""
    if section is None:
        return ()
    left, _, right, _ = face.outline.bounds
    if section.positions_mm:
        middles = sorted(u for u in section.positions_mm if left <= u <= right)
    else:
        spacing = float(section.spacing_mm or 0.0)
        first = math.ceil((left - section.first_mm) / spacing)
        last = math.floor((right - section.first_mm) / spacing)
        middles = [section.first_mm + k * spacing for k in range(first, last + 1)]
    return tuple(Rafter(str(k), u, section.width_mm, section.tolerance_mm) for k, u in enumerate(middles, start=1))


def farthest_mm(rafters: Sequence[Rafter], span_u: tuple[float, float]) -> float:
    """How far arms must reach from the next rafter to be anywhere within `span_u`; 0 without rafters."""
    if not rafters:
        return 0.0
    middles = [r.u_mm for r in rafters]
    gaps = [0.5 * (b - a) for a, b in pairwise(middles)]
    return max([*gaps, middles[0] - span_u[0], span_u[1] - middles[-1]])


def loosest_mm(asked: Mapping[str, float], width_mm: float, reach_mm: float) -> dict[str, float]:
    """The lengths of LIMIT_SETTINGS beyond which no cure is looked for, mm; never less than asked.

    Rows `width_mm` wide need no more than their width, arms to anywhere no more than `reach_mm`, and no lead can set more
    than the setting's bound.
    """
    enough = {"spacing_mm": width_mm, "overhang_mm": width_mm, "reach_mm": reach_mm + 1.0}
    return {k: max(asked[k], min(enough[k], greatest(HardwareConfig, setting))) for k, setting in LIMIT_SETTINGS.items()}


def change_of(cured: Mapping[str, float], asked: Mapping[str, float]) -> float:
    """How much was relaxed, as the sum of shares of what was asked; leaving the zones counts one half."""
    shares = {name: abs(cured[name] - asked[name]) / max(asked[name], 1.0) for name in LIMIT_IN_WORDS}
    return sum(share * (0.5 if name == "zones" else 1.0) for name, share in shares.items())


def change_in_words(cured: Mapping[str, float], asked: Mapping[str, float]) -> str:
    """What was relaxed, each limit with its figure and what was asked."""
    return " and ".join(text.format(cured[k], asked[k]) for k, text in LIMIT_IN_WORDS.items() if cured[k] != asked[k])


def pan_slack_mm(pattern: TilePattern, hardware: HardwareConfig) -> float:
    """How far the arm's middle may stand beside the pan's middle; negative where the arm is wider than the pan."""
    return 0.5 * (pattern.pan_width_mm - hardware.arm_width_mm)


def in_pan(pattern: TilePattern, hardware: HardwareConfig, pan: int, u_mm: float, v_mm: tuple[float, float]) -> bool:
    """Whether an arm at `u_mm` stays in `pan` from `v_mm[0]` to `v_mm[1]`: pans run straight, so the two ends decide.

    Where pans are not known no place is refused for them.
    """
    if not pattern.has_pans:
        return True
    slack = max(pan_slack_mm(pattern, hardware), 0.0) + 1e-6
    return all(abs(u_mm - float(pattern.pan_mm(pan, v))) <= slack for v in v_mm)


@dataclass(frozen=True)
class Window:
    """A stretch of u where a rail may run, the best place in it, and what it uses up there; pan 0 where none is known."""

    low_mm: float
    high_mm: float
    best_mm: float
    rafter: Rafter | None
    pan: int
    place: str


def find_windows(
    span_u: tuple[float, float],
    span_v: tuple[float, float],
    pattern: TilePattern | None,
    rafters: Sequence[Rafter],
    reach_mm: float,
    hardware: HardwareConfig,
    through: bool,
) -> tuple[Window, ...]:
    """Windows within `span_u`: a hook's reach beside each rafter where the arm is in a pan, by rafter, then pan.

    With skewed pans a place may be in its pan over a part of `span_v` only: those are left out where `through` asks for the
    whole of it, and are in otherwise.
    """
    windows = []
    for rafter in rafters or (None,):
        low, high, middle = (
            (*span_u, 0.5 * sum(span_u))
            if rafter is None
            else (max(span_u[0], rafter.u_mm - reach_mm), min(span_u[1], rafter.u_mm + reach_mm), rafter.u_mm)
        )
        if high < low:
            continue
        if pattern is None or not pattern.has_pans:
            windows.append(Window(low, high, middle, rafter, 0, f"rafter {rafter.name}" if rafter else ""))
            continue
        for pan, left, right in _pans(pattern, hardware, low, high, span_v, through):
            place = f"rafter {rafter.name}" if rafter else f"pan {pan}"
            best = middle if rafter else 0.5 * (left + right)
            windows.append(Window(max(low, left), min(high, right), best, rafter, pan, place))
    return tuple(w for w in windows if w.high_mm >= w.low_mm)


def find_columns(
    span_u: tuple[float, float],
    span_v: tuple[float, float],
    pattern: TilePattern | None,
    rafters: Sequence[Rafter],
    reach_mm: float,
    hardware: HardwareConfig,
    marks_mm: Sequence[float] = (),
) -> tuple[Column, ...]:
    """Candidates within `span_u`, left to right; each of `marks_mm` that a rail may run at is one of them.

    With skewed pans a candidate may be in its pan over a part of `span_v` only: ask `in_pan` for the stretch of a rail.
    """
    columns = {
        Column(u, w.rafter, w.pan, w.place)
        for through in (False, True)
        for w in find_windows(span_u, span_v, pattern, rafters, reach_mm, hardware, through)
        for u in _fill(w, math.inf if through else FREE_STEP_MM if w.rafter is None and w.pan == 0 else STEP_MM, marks_mm)
    }
    return tuple(sorted(columns, key=lambda c: (c.u_mm, c.pan, c.place)))


def _pans(
    pattern: TilePattern, hardware: HardwareConfig, low: float, high: float, span_v: tuple[float, float], through: bool
) -> list[tuple[int, float, float]]:
    """Pans that offer room somewhere on `low`…`high`: count from the datum, and the u range over some or all of `span_v`."""
    slack = max(pan_slack_mm(pattern, hardware), 0.0)
    shift = sorted(pattern.skew * v for v in span_v)
    first = math.ceil((low - slack - shift[1] - pattern.pan_phase_mm) / pattern.cover_width_mm)
    last = math.floor((high + slack - shift[0] - pattern.pan_phase_mm) / pattern.cover_width_mm)
    found = []
    for pan in range(first + 1, last + 2):
        left, right = sorted(float(pattern.pan_mm(pan, v)) for v in span_v)
        found.append((pan, right - slack, left + slack) if through else (pan, left - slack, right + slack))
    return found


def _fill(window: Window, step: float, marks_mm: Sequence[float]) -> list[float]:
    """Whole millimetres of a window: ends, the place nearest to the best, the marks in it, and a grid of `step` between (inf: none)."""
    first, last = math.ceil(window.low_mm - 1e-9), math.floor(window.high_mm + 1e-9)
    if last < first:
        return [0.5 * (window.low_mm + window.high_mm)]
    count = max(1, math.ceil((last - first) / step))
    grid = {round(u) for u in np.linspace(first, last, count + 1)}
    grid.add(min(max(round(window.best_mm), first), last))
    grid.update(round(u) for u in marks_mm if first <= round(u) <= last)
    return [float(u) for u in sorted(grid)]
