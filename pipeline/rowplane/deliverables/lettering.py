"""Places for letters on a drawing, so that no label lies on another or on what it does not name."""

from __future__ import annotations

import math

import numpy as np

from rowplane.deliverables.content import Layer, Mark, Point
from rowplane.model import Array

WIDTH_PER_HEIGHT = 0.72
"""Advance of one letter over its height in a wide sans serif, digits and capitals; measured generously."""


class Lettering:
    """Places labels one after the other; each place taken is closed to those that follow."""

    def __init__(self, height_mm: float) -> None:
        self.height = height_mm
        self._boxes = np.empty((0, 4))
        self._strokes = np.empty((0, 4))

    def keep_clear(self, u: float, v: float, radius: float) -> None:
        """Closes the place of a mark."""
        self._take((u - radius, v - radius, u + radius, v + radius))

    def avoid(self, start: Point, end: Point) -> None:
        """A line along u or v that letters should rather not lie on; they may where there is no other place."""
        (a, b), (c, d) = start, end
        self._strokes = np.vstack([self._strokes, (min(a, c), min(b, d), max(a, c), max(b, d))])

    def beside(
        self, layer: Layer, text: str, at: Point, prefer: str = "right", name: str = "", out: float = 55.0
    ) -> list[Mark]:
        """A label `out` beside a spot, on the preferred side where that is free, else the next free place; none if none is."""
        half_u, half_v = self._half(text)
        first = -1 if prefer == "left" else 1
        offsets = [(0.0, -out - half_v)] if prefer == "below" else []
        for up in (0.0, half_v + 25, 2 * half_v + 50, 3 * half_v + 75):
            offsets += [(side * (out + half_u), sign * up) for side in (first, -first) for sign in ((1, -1) if up else (1,))]
        offsets += [(0.0, out + half_v), (0.0, -out - half_v)]
        return self._first(layer, text, [(at[0] + du, at[1] + dv) for du, dv in offsets], name or text)

    def within(self, layer: Layer, text: str, box: tuple[float, float, float, float], name: str = "") -> list[Mark]:
        """A label inside a box: the middle, else the first free place of a grid; none if none is free."""
        half_u, half_v = self._half(text)
        us = np.linspace(box[0] + half_u, box[2] - half_u, 9)
        vs = np.linspace(box[1] + half_v, box[3] - half_v, 7)
        middle = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
        grid = np.array([(u, v) for u in us for v in vs])
        order = np.argsort(np.hypot(*(grid - middle).T).round(3), kind="stable")
        return self._first(layer, text, [(float(u), float(v)) for u, v in grid[order]], name or text)

    def along(self, layer: Layer, text: str, start: Point, end: Point) -> list[Mark]:
        """A label outside an edge of a counter-clockwise outline, turned along it and never upside down."""
        du, dv = end[0] - start[0], end[1] - start[1]
        length = math.hypot(du, dv)
        out = (dv / length, -du / length)
        turn = math.degrees(math.atan2(dv, du))
        turn = turn - 180 if turn > 90.001 else turn + 180 if turn <= -89.999 else turn
        half_u, half_v = self._half(text)
        lean = math.radians(turn)
        half_box = (
            abs(half_u * math.cos(lean)) + abs(half_v * math.sin(lean)),
            abs(half_u * math.sin(lean)) + abs(half_v * math.cos(lean)),
        )
        for share in (0.5, 0.35, 0.65, 0.2, 0.8):
            for gap in (1.3, 3.0):
                at = (start[0] + share * du + gap * self.height * out[0], start[1] + share * dv + gap * self.height * out[1])
                if self._try(at, half_box):
                    return [Mark(layer, "label", (at,), text, text=text, height=self.height, turn=turn)]
        return []

    def _half(self, text: str) -> tuple[float, float]:
        return 0.5 * WIDTH_PER_HEIGHT * self.height * max(len(text), 1), 0.6 * self.height

    def _first(self, layer: Layer, text: str, places: list[Point], name: str) -> list[Mark]:
        half = self._half(text)
        for crossing in (False, True):
            for at in places:
                if not self._try(at, half, crossing):
                    continue
                return [Mark(layer, "label", (at,), name, text=text, height=self.height)]
        return []

    def _try(self, at: Point, half: Point, crossing: bool = True) -> bool:
        box = (at[0] - half[0], at[1] - half[1], at[0] + half[0], at[1] + half[1])
        if _clash(self._boxes, box) or (not crossing and _clash(self._strokes, box)):
            return False
        self._take(box)
        return True

    def _take(self, box: tuple[float, float, float, float]) -> None:
        self._boxes = np.vstack([self._boxes, box])


def _clash(taken: Array, box: tuple[float, float, float, float]) -> bool:
    apart = (taken[:, 0] >= box[2]) | (taken[:, 2] <= box[0]) | (taken[:, 1] >= box[3]) | (taken[:, 3] <= box[1])
    return bool((~apart).any())
