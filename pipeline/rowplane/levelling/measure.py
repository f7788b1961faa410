"""What to measure: few points whose readings bring every foot within tolerance, in the order of worth."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rowplane.levelling.condition import SMOOTH_LENGTHS_MM, alike, hook_places
from rowplane.levelling.observe import gap_row, gap_variance, height_variance
from rowplane.levelling.sigma import Z95, off_plane, set_variance
from rowplane.levelling.string_line import Strung
from rowplane.model import Array, Measure, RecheckBasis

SOFT = 4
"""Power of the mean that stands for 'the worst foot': a plain greatest value would not see progress at the second worst."""


UNSAID_MM = 8.0
"""Smooth survey error, sd, that the choice of points reckons with beside what the survey says of itself."""


MOST_SWAPPED = 15
"""Lists up to this long are mended by exchange; a longer one leaves little unmeasured, and the exchange gets slow."""


@dataclass(frozen=True)
class _Points:
    """Candidate readings: rows `(c, h)` over the hook seats, error variances `(c,)`, and the foot each is taken at."""

    kind: Literal["gap", "height"]
    rows: Array
    variance: Array
    foot: NDArray[np.int64]


def measures_of(basis: RecheckBasis, strung: tuple[Strung, ...]) -> tuple[Measure, ...]:
    """The shorter of two lists, gaps below strings or levelled rail tops, that brings every foot within tolerance.

    Empty where the survey supports every foot. One list keeps to one instrument: a crew on a roof carries one. Where neither
    list gets there, the one that leaves the smaller worst sigma. Equal lists: the string's.
    """
    limit = basis.limits.tolerance_mm / Z95
    lists = [chosen(basis, points, len(basis.foot_ids), limit) for points in (gap_points(basis, strung), height_points(basis))]
    lists = [(picked, after) for picked, after in lists if picked]
    if not lists:
        return ()
    picked, after = min(lists, key=lambda found: (max(found[1][-1], limit), len(found[0])))
    return tuple(
        Measure(n + 1, basis.foot_ids[foot], kind, _where(basis, foot, kind), sigma)
        for n, ((foot, kind), sigma) in enumerate(zip(picked, after, strict=True))
    )


def gap_points(basis: RecheckBasis, strung: tuple[Strung, ...]) -> _Points:
    """Rail top below the string of its run, at every inner foot that is strung."""
    inner = [(s, f) for s in strung for f in s.feet if len(s.supports) and f not in s.supports]
    rows = np.array([gap_row(basis, s, f) for s, f in inner]).reshape(-1, len(basis.hook_ids))
    variance = np.array([gap_variance(basis, s, f) for s, f in inner], dtype=float)
    return _Points("gap", rows, variance, np.array([f for _, f in inner], dtype=np.int64))


def height_points(basis: RecheckBasis) -> _Points:
    """Rail top by level and staff, at every foot."""
    f = len(basis.foot_ids)
    return _Points("height", basis.influence, np.full(f, height_variance(basis)), np.arange(f, dtype=np.int64))


def chosen(
    basis: RecheckBasis, points: _Points, most: int, limit_mm: float
) -> tuple[list[tuple[int, Literal["gap", "height"]]], list[float]]:
    """Greedy picks of at most `most` points until the worst sigma is at most `limit_mm`, and the worst sigma after each.

    Points are then exchanged for ones that tell more where the survey errs beyond what it says, as far as the limit is kept. No
    pick where nothing is to be gained, or where all is within the limit from the start.
    """
    every = np.ones(len(points.foot), dtype=bool)
    picks, after = _greedy(basis, basis, points, every, most, limit_mm)
    if 2 < len(picks) <= MOST_SWAPPED:
        reached = after[-1] <= limit_mm
        for way, bound in ((basis, max(after[-1], limit_mm)), (_doubted(basis), limit_mm if reached else np.inf)):
            better = np.isin(np.arange(len(every)), _swapped(way, basis, points, picks, bound))
            again, then = _greedy(way, basis, points, better, len(picks), limit_mm)
            if then and then[-1] <= bound:
                picks, after = again, then
    return [(int(points.foot[pick]), points.kind) for pick in picks], after


def _greedy(
    way: RecheckBasis, basis: RecheckBasis, points: _Points, among: NDArray[np.bool_], most: int, limit_mm: float
) -> tuple[list[int], list[float]]:
    """Best picks one after the other by the covariance of `way`, until that of `basis` has all within the limit."""
    said, state = _State(basis, points), _State(way, points)
    state.left &= among
    picks: list[int] = []
    after: list[float] = []
    while len(picks) < most and said.worst() > limit_mm and (best := state.best()) is not None:
        state.take(best)
        said.take(best)
        picks.append(best)
        after.append(said.worst())
    return picks, after


def _doubted(basis: RecheckBasis) -> RecheckBasis:
    """The basis with a smooth survey error beside what the survey says of itself; as it is once readings have told of one.

    Without it the points would gather where the survey is least sure of single rafters, and tell nothing of what it cannot know.
    """
    if basis.told:
        return basis
    hooks = hook_places(basis)
    shared = np.mean([alike(hooks, hooks, length) for length in SMOOTH_LENGTHS_MM], axis=0)
    return replace(basis, covariance_mm2=basis.covariance_mm2 + UNSAID_MM**2 * shared)


def _swapped(way: RecheckBasis, basis: RecheckBasis, points: _Points, picks: list[int], bound_mm: float) -> list[int]:
    """Each pick in turn changed for the point that is best beside the others, until none changes (three rounds at most).

    What is picked first is picked without knowing the rest; a single exchange is known to mend most of that. Best by the
    covariance of `way`, among points that leave the worst sigma by that of `basis` within the bound.
    """
    now, starts = list(picks), (_State(basis, points), _State(way, points))
    for _ in range(3):
        before = tuple(now)
        for i in range(len(now)):
            said, state = (start.copy() for start in starts)
            for pick in now[:i] + now[i + 1 :]:
                state.take(pick)
                said.take(pick)
            state.left &= said.worst_after() <= bound_mm
            best = state.best()
            now[i] = now[i] if best is None else best
        if tuple(now) == before:
            break
    return now


class _State:
    """Covariance of seats off the plane and of the candidates, conditioned on what was picked so far.

    `cross` `(f, c)` of seats off the plane with candidates, `among` `(c, c)` of candidates. Levelled heights share one unknown
    datum: their first reading only fixes it, so the first is picked as if the datum were known, and then freed.
    """

    def __init__(self, basis: RecheckBasis, points: _Points) -> None:
        free, cov = off_plane(basis), basis.covariance_mm2
        onto = free @ basis.influence
        self.points = points
        self.left = np.ones(len(points.foot), dtype=bool)
        self.fixed = set_variance(basis.limits) * np.diag(free)
        spread = onto @ cov
        self.seats = np.sum(spread * onto, axis=1)
        self.cross = spread @ points.rows.T
        self.among = points.rows @ cov @ points.rows.T
        self.freed = points.kind != "height"

    def copy(self) -> _State:
        other = copy(self)
        for name in ("left", "seats", "cross", "among"):
            setattr(other, name, getattr(self, name).copy())
        return other

    def worst(self) -> float:
        return float(np.sqrt(np.max(np.maximum(self.seats, 0.0) + self.fixed, initial=0.0)))

    def worst_after(self) -> Array:
        """Worst sigma `(c,)` with each of the candidates taken, mm."""
        return np.asarray(np.sqrt(np.max(self._after(), axis=0, initial=0.0)))

    def _after(self) -> Array:
        spread = np.diag(self.among) + self.points.variance
        return np.asarray(np.maximum(self.seats[:, None] - self.cross**2 / spread[None, :], 0.0) + self.fixed[:, None])

    def best(self) -> int | None:
        if not self.left.any():
            return None
        after = self._after()
        score = np.where(self.left, np.sum(after ** (SOFT // 2), axis=0), np.inf)
        now = float(np.sum((np.maximum(self.seats, 0.0) + self.fixed) ** (SOFT // 2)))
        best = int(np.argmin(score))
        return best if score[best] < now * (1 - 1e-9) else None

    def take(self, pick: int) -> None:
        self.left[pick] = False
        if not self.freed:
            self._free(pick)
            return
        spread = self.among[pick, pick] + self.points.variance[pick]
        gain, column = self.cross[:, pick].copy(), self.among[:, pick].copy()
        self.seats -= gain**2 / spread
        self.cross -= np.outer(gain, column) / spread
        self.among -= np.outer(column, column) / spread

    def _free(self, pick: int) -> None:
        # With the datum unknown only differences to the first height tell: y_i − y_first, whose errors share that of y_first.
        self.freed = True
        column, corner = self.among[:, pick].copy(), self.among[pick, pick] + self.points.variance[pick]
        self.cross = self.cross - self.cross[:, [pick]]
        self.among = self.among - column[:, None] - column[None, :] + corner


def _where(basis: RecheckBasis, foot: int, kind: str) -> str:
    rail, u, v = basis.foot_rails[foot], basis.foot_u_mm[foot], basis.foot_v_mm[foot]
    tool = "rule from rail top up to the string" if kind == "gap" else "staff on the rail top"
    return f"{tool}, rail {rail}, {u:.0f} mm from the left and {v:.0f} mm up from the datum"
