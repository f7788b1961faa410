"""Rails from stock lengths: where a long rail is spliced, and how all pieces are cut with the least stock."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from rowplane.model import Array, StockCut


@dataclass(frozen=True)
class Bar:
    """A rail to be cut: its ends, hooks and feet along v."""

    rail: str
    ends_mm: tuple[float, float]
    hooks_mm: tuple[float, ...]
    feet_mm: tuple[float, ...]


@dataclass(frozen=True)
class Spliced:
    """Splices of a bar, v ascending; `forced` where no place kept clear of feet and end spans."""

    bar: Bar
    splices_mm: tuple[float, ...]
    forced: bool

    @property
    def pieces_mm(self) -> tuple[float, ...]:
        """Lengths from the front up."""
        marks = (self.bar.ends_mm[0], *self.splices_mm, self.bar.ends_mm[1])
        return tuple(b - a for a, b in itertools.pairwise(marks))


def cut_rails(
    bars: Sequence[Bar], stock_mm: Sequence[float], saw_mm: float, clear_mm: float
) -> tuple[tuple[Spliced, ...], tuple[StockCut, ...]]:
    """Splices of every rail and the cutting list with the least total stock.

    Splices go as far as a stock length reaches, once from the front and once from the top; what needs less stock is
    taken. Empty in, empty out.
    """
    best: tuple[float, tuple[Spliced, ...], tuple[StockCut, ...]] | None = None
    for from_top in (False, True):
        spliced = tuple(splice(bar, max(stock_mm), clear_mm, from_top) for bar in bars)
        cuts = cutting_stock([(s.bar.rail, p) for s in spliced for p in s.pieces_mm], stock_mm, saw_mm)
        total = sum(c.stock_mm for c in cuts) + 1e6 * sum(s.forced for s in spliced)
        if best is None or total < best[0] - 1e-6:
            best = (total, spliced, cuts)
    return ((), ()) if best is None else best[1:]


def least_stock_mm(bars: Sequence[Bar], longest_mm: float, clear_mm: float) -> int:
    """The shortest stock, whole millimetres above `longest_mm`, from which every bar is cut without a forced splice."""
    low, high = math.floor(longest_mm), math.ceil(max(bar.ends_mm[1] - bar.ends_mm[0] for bar in bars))
    while high - low > 1:
        middle = (low + high) // 2
        forced = (any(splice(bar, middle, clear_mm, from_top).forced for bar in bars) for from_top in (False, True))
        low, high = (middle, high) if all(forced) else (low, middle)
    return high


def splice(bar: Bar, longest_mm: float, clear_mm: float, from_top: bool = False) -> Spliced:
    """Fewest pieces: each as long as the stock and the allowed places let it be."""
    low, high = bar.ends_mm
    if high - low <= longest_mm + 1e-6:
        return Spliced(bar, (), False)
    if from_top:
        turned = splice(_turned(bar), longest_mm, clear_mm)
        return Spliced(bar, tuple(sorted(-v for v in turned.splices_mm)), turned.forced)
    allowed, forced = _places(bar, clear_mm, end_spans=False), False
    splices: list[float] = []
    at = low
    while high - at > longest_mm + 1e-6:
        far = _farthest(allowed, at, longest_mm)
        if far is None:
            # Better in an end span than under a foot, and better anywhere than not at all: the finding says so.
            forced = True
            far = _farthest(_places(bar, clear_mm, end_spans=True), at, longest_mm) or at + longest_mm
        splices.append(far)
        at = far
    return Spliced(bar, tuple(splices), forced)


def _turned(bar: Bar) -> Bar:
    low, high = bar.ends_mm
    return Bar(bar.rail, (-high, -low), tuple(-v for v in bar.hooks_mm[::-1]), tuple(-v for v in bar.feet_mm[::-1]))


def _farthest(places: Sequence[tuple[float, float]], at: float, longest_mm: float) -> float | None:
    reach = [min(high, at + longest_mm) for low, high in places if low <= at + longest_mm and high > at + 1.0]
    return max(reach, default=None)


def _places(bar: Bar, clear_mm: float, end_spans: bool) -> tuple[tuple[float, float], ...]:
    """Stretches of a rail where a splice may lie: between the inner hooks (or all), clear of feet and hooks."""
    hooks = bar.hooks_mm if end_spans else bar.hooks_mm[1:-1]
    if len(hooks) < 2:
        return ()
    barred = sorted((v - clear_mm, v + clear_mm) for v in (*bar.feet_mm, *bar.hooks_mm))
    places, at = [], hooks[0]
    for low, high in barred:
        if min(low, hooks[-1]) >= at:
            places.append((at, min(low, hooks[-1])))
        at = max(at, high)
    if at <= hooks[-1]:
        places.append((at, hooks[-1]))
    return tuple(places)


def cutting_stock(pieces: Sequence[tuple[str, float]], stock_mm: Sequence[float], saw_mm: float) -> tuple[StockCut, ...]:
    """One-dimensional cutting stock, solved to the least total length by an integer program over cutting patterns.

    Gilmore and Gomory, Operations Research 9 (1961) 849–859, with all maximal patterns written out: a stock length
    holds only a few rails. Every cut costs `saw_mm`. Raises ValueError for a piece longer than all stock.
    """
    demand = Counter(math.ceil(round(length, 3)) for _, length in pieces)
    lengths = sorted(demand, reverse=True)
    if not lengths:
        return ()
    if lengths[0] > max(stock_mm):
        raise ValueError("a piece is longer than the longest stock")
    patterns = [(s, p) for s in sorted(set(stock_mm)) for p in _patterns(lengths, demand, s, saw_mm)]
    made = np.array([p for _, p in patterns], dtype=float).T
    # Fewer bars break ties between mixes of the same total length.
    cost = np.array([s + 1e-3 for s, _ in patterns])
    need = np.array([demand[length] for length in lengths], dtype=float)
    solved = milp(
        cost, constraints=LinearConstraint(made, need, np.inf), bounds=Bounds(0, np.inf), integrality=np.ones(len(cost)),
        options={"mip_rel_gap": 0.0},
    )  # fmt: skip
    return _hand_out(pieces, lengths, patterns, np.rint(solved.x), saw_mm)


def _patterns(lengths: Sequence[int], demand: Counter[int], stock: float, saw: float) -> list[tuple[int, ...]]:
    """All ways to cut one stock length from which no further needed piece could be cut. The last piece needs no cut."""
    found: list[tuple[int, ...]] = []

    def extend(counts: list[int], room: float) -> None:
        k = len(counts)
        if k == len(lengths):
            if not any(n < demand[length] and length <= room for length, n in zip(lengths, counts, strict=True)):
                found.append(tuple(counts))
            return
        for n in range(min(demand[lengths[k]], int((room + saw) // (lengths[k] + saw))), -1, -1):
            extend([*counts, n], room - n * (lengths[k] + saw))

    extend([], stock)
    return [p for p in found if any(p)]


def _hand_out(
    pieces: Sequence[tuple[str, float]],
    lengths: Sequence[int],
    patterns: Sequence[tuple[float, tuple[int, ...]]],
    times: Array,
    saw_mm: float,
) -> tuple[StockCut, ...]:
    """Give the rails' pieces to the patterns; what a pattern would cut beyond need stays in its off-cut."""
    waiting: dict[int, list[tuple[str, float]]] = {length: [] for length in lengths}
    for piece in pieces:
        waiting[math.ceil(round(piece[1], 3))].append(piece)
    cuts = []
    for (stock, pattern), count in zip(patterns, times, strict=True):
        for _ in range(int(count)):
            taken = [
                waiting[length].pop(0) for length, n in zip(lengths, pattern, strict=True) for _ in range(n) if waiting[length]
            ]
            if taken:
                used = sum(length + saw_mm for _, length in taken)
                cuts.append(StockCut(stock, tuple(taken), max(0.0, stock - used)))
    return tuple(cuts)
