"""Which courses carry the hooks of one rail: fewest, then most even, within span and overhang."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rowplane.config import HardwareConfig, SupportsConfig
from rowplane.model import Array, TilePattern

FREE_STEP_MM = 25.0
"""Distance of possible hook positions where no courses are known."""

MOST_COURSES = 4000
"""Where to stop on a pattern whose gauge shrinks to nothing."""


@dataclass(frozen=True)
class Seat:
    """A place for a hook along a rail: v of the rail on it, course it comes out under (0 where unknown)."""

    v_mm: float
    course: int


@dataclass(frozen=True)
class HookLimits:
    """Greatest hook distance and greatest free rail past the outer hooks."""

    span_mm: float
    overhang_mm: float


def seats_along(
    u_mm: float,
    ends_v: tuple[float, float],
    pattern: TilePattern | None,
    supports: SupportsConfig,
    hardware: HardwareConfig,
) -> tuple[Seat, ...]:
    """All places for hooks on a rail from `ends_v[0]` to `ends_v[1]`, from the front up.

    An arm comes out under a nose and lies on the course below it, so the first nose of the face has no place.
    """
    half = 0.5 * hardware.arm_width_mm
    low, high = ends_v[0] + half, ends_v[1] - half
    if pattern is None:
        count = max(0, math.floor((high - low) / FREE_STEP_MM))
        free = [low + k * FREE_STEP_MM for k in range(count + 1)] if high >= low else []
        # The upper end itself, so that the grid does not cost overhang there.
        return tuple(Seat(v, 0) for v in (*free, high)) if free and high - free[-1] > 1.0 else tuple(Seat(v, 0) for v in free)
    # Ever more courses until the last one is past the rail: a drifting gauge has no closed count.
    courses: Array = np.arange(2.0, 4.0 + math.ceil(max(high, 1.0) / pattern.gauge_mm))
    while True:
        v = np.asarray(pattern.nose_mm(courses, u_mm)) + supports.hook_behind_nose_mm
        if v[-1] > high or len(courses) > MOST_COURSES:
            break
        courses = np.arange(2.0, 2.0 + 2 * len(courses))
    inside = (v >= low) & (v <= high)
    return tuple(Seat(float(at), int(course)) for at, course in zip(v[inside], courses[inside], strict=True))


def fewest(seats: Sequence[Seat], ends_v: tuple[float, float], limits: HookLimits) -> int | None:
    """Least number of hooks (at least two) that keeps the limits, None where none does.

    Going as far as each limit allows reaches the end with the fewest steps.
    """
    near = [k for k, s in enumerate(seats) if s.v_mm <= ends_v[0] + limits.overhang_mm + 1e-6]
    if not near or len(seats) < 2:
        return None
    at, count = near[-1], 1
    while seats[at].v_mm < ends_v[1] - limits.overhang_mm - 1e-6:
        ahead = at
        while ahead + 1 < len(seats) and seats[ahead + 1].v_mm <= seats[at].v_mm + limits.span_mm + 1e-6:
            ahead += 1
        if ahead == at:
            return None
        at, count = ahead, count + 1
    if count >= 2:
        return count
    # One hook would do: a rail still needs two, anywhere within a span of each other.
    return 2 if most_even(seats, ends_v, limits, 2) else None


def most_even(seats: Sequence[Seat], ends_v: tuple[float, float], limits: HookLimits, count: int) -> tuple[Seat, ...]:
    """The `count` seats within the limits whose spans and overhangs are most even; empty where there are none.

    Least sum of squared shares of their limits, by dynamic programming over (hooks so far, seat).
    """
    span, overhang = max(limits.span_mm, 1e-6), max(limits.overhang_mm, 1e-6)
    n = len(seats)
    infinite = math.inf
    start = [s.v_mm - ends_v[0] for s in seats]
    cost = [(d / overhang) ** 2 if d <= limits.overhang_mm + 1e-6 else infinite for d in start]
    steps: list[list[int]] = []
    for _ in range(1, count):
        best, back = [infinite] * n, [-1] * n
        for k in range(n):
            for i in range(k - 1, -1, -1):
                gap = seats[k].v_mm - seats[i].v_mm
                if gap > limits.span_mm + 1e-6:
                    break
                value = cost[i] + (gap / span) ** 2
                if value < best[k] - 1e-12:
                    best[k], back[k] = value, i
        cost = best
        steps.append(back)
    ends = [
        (cost[k] + ((ends_v[1] - s.v_mm) / overhang) ** 2, k)
        for k, s in enumerate(seats)
        if ends_v[1] - s.v_mm <= limits.overhang_mm + 1e-6 and cost[k] < infinite
    ]
    if not ends:
        return ()
    at = min(ends)[1]
    chosen = [at]
    for back in reversed(steps):
        at = back[at]
        chosen.append(at)
    return tuple(seats[k] for k in reversed(chosen))


def relaxed(seats: Sequence[Seat], ends_v: tuple[float, float], limits: HookLimits) -> HookLimits | None:
    """The smallest relaxation (as a share of its limit) of span or overhang that lets two hooks or more carry the rail.

    One limit alone where that is enough, both otherwise; None with fewer than two seats.
    """
    if len(seats) < 2:
        return None
    # Only the width of a gap between neighbouring seats can be the span that must be allowed.
    gaps = sorted(b.v_mm - a.v_mm for a, b in itertools.pairwise(seats))
    overhang = max(limits.overhang_mm, seats[0].v_mm - ends_v[0], ends_v[1] - seats[-1].v_mm)
    span = max(limits.span_mm, gaps[-1])
    tries = [HookLimits(max(limits.span_mm, gap), limits.overhang_mm) for gap in gaps]
    tries += [HookLimits(limits.span_mm, overhang), HookLimits(span, overhang)]
    works = [t for t in tries if fewest(seats, ends_v, t)]
    return min(works, key=lambda t: t.span_mm / limits.span_mm + t.overhang_mm / max(limits.overhang_mm, 1.0), default=None)
