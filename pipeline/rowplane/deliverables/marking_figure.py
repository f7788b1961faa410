"""The marking-out figure on paper: rails and lines of an array with running dimensions from the datum, large enough to read."""

from __future__ import annotations

import math
from html import escape

from rowplane.deliverables.content import FaceDrawing, Point
from rowplane.deliverables.page_content import MarkingPage, Spot
from rowplane.deliverables.svg import STYLE, mark_svg
from rowplane.deliverables.words import WORDS, say

WIDTH, LEFT, RIGHT, TOP, BELOW = 186.0, 27.0, 4.0, 3.0, 34.0
MOST_HIGH = 150.0
MOST_WIDE_MM = 16_000.0
"""Widest piece of roof in one figure: about 1:110 on paper."""

FIGURE_PT = 14.0
PT = 25.4 / 72
DATUM_WIDE = 22.0
"""Room that the datum's name takes to the left of it, mm on paper."""
LETTER_PITCH = 1.12 * FIGURE_PT * PT
"""What one line of figures takes across, mm on paper."""


def marking_figures(drawing: FaceDrawing, page: MarkingPage) -> tuple[tuple[str, str], ...]:
    """(caption, SVG in paper mm) of each window along the eave; windows as wide as the figures find room."""
    if not page.rails:
        return ()
    low, high = _across(drawing, page)
    room = WIDTH - LEFT - RIGHT
    count = max(1, math.ceil((high - low) / MOST_WIDE_MM), math.ceil(len(page.rails) * LETTER_PITCH / (0.9 * room)))
    step = (high - low) / count
    windows = [(low + k * step, low + (k + 1) * step) for k in range(count)]
    figures = []
    for k, window in enumerate(windows):
        rails = tuple(r for r in page.rails if window[0] <= r.at_mm < window[1])
        caption = say("figure_part", k=k + 1, all=count) if count > 1 else ""
        figures.append((caption, _figure(drawing, page, rails, window)))
    return tuple(figures)


def _across(drawing: FaceDrawing, page: MarkingPage) -> tuple[float, float]:
    modules = [
        p[0]
        for m in drawing.marks
        if (m.layer, m.shape) == ("module", "area") and m.name.startswith(page.array)
        for p in m.points
    ]
    us = [*modules, *(r.at_mm for r in page.rails)]
    return min(0.0, *us) - 250, max(us) + 250


def _figure(drawing: FaceDrawing, page: MarkingPage, rails: tuple[Spot, ...], window: Point) -> str:
    bottom = min(0.0, *(k.at_mm for k in page.lines)) - 150
    top = max(k.at_mm for k in page.lines) + 350
    scale = min((WIDTH - LEFT - RIGHT) / (window[1] - window[0]), MOST_HIGH / (top - bottom))
    wide, high = (window[1] - window[0]) * scale, (top - bottom) * scale

    def place(p: Point) -> Point:
        return p[0] - window[0], top - p[1]

    body = [mark_svg(m, place) for m in drawing.marks if m.shape != "label" and m.layer not in ("patch", "usable")]
    inner = (
        f'<svg x="{LEFT}" y="{TOP}" width="{wide:.2f}" height="{high:.2f}" overflow="hidden" '
        f'viewBox="0 0 {window[1] - window[0]:.0f} {top - bottom:.0f}">{"".join(body)}</svg>'
    )
    floor = TOP + high
    at = [LEFT + (r.at_mm - window[0]) * scale for r in rails]
    words = [_rail_figure(r, x, shown, floor) for r, x, shown in zip(rails, at, _apart(at, LEFT + wide), strict=True)]
    words += [_line_figure(k, TOP + (top - k.at_mm) * scale) for k in page.lines]
    if window[0] <= 0 <= window[1]:
        words.append(_datum(LEFT - window[0] * scale, TOP + top * scale, at))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}mm" height="{floor + BELOW:.1f}mm" '
        f'viewBox="0 0 {WIDTH} {floor + BELOW:.1f}"><style>{STYLE}{_STYLE}</style>{inner}{"".join(words)}</svg>'
    )


_STYLE = f"""
.f{{font-family:DejaVu Sans,Verdana,Arial,sans-serif;font-size:{FIGURE_PT * PT:.2f}px;font-weight:bold;fill:#000}}
.n{{font-family:DejaVu Sans,Verdana,Arial,sans-serif;font-size:{10 * PT:.2f}px;fill:#000}}.k{{stroke:#000;stroke-width:.35;fill:none}}
"""


def _apart(at: list[float], most: float) -> list[float]:
    """The same places in order, moved as little to the right, then back to the left, as keeps figures off each other."""
    shown: list[float] = []
    for x in at:
        shown.append(max(x, shown[-1] + LETTER_PITCH) if shown else x)
    for k in range(len(shown) - 1, -1, -1):
        shown[k] = min(shown[k], most if k == len(shown) - 1 else shown[k + 1] - LETTER_PITCH)
    return shown


def _rail_figure(rail: Spot, x: float, shown: float, floor: float) -> str:
    short = escape(rail.name.rpartition("-")[2] or rail.name)
    lead = f'<path class="k" d="M{x:.2f} {floor:.2f}v1.5L{shown:.2f} {floor + 4:.2f}v1.2"/>'

    def turned(kind: str, below: float, text: str) -> str:
        place = f"translate({shown + 1.75:.2f} {floor + below:.2f}) rotate(-90)"
        return f'<text class="{kind}" text-anchor="end" transform="{place}">{escape(text)}</text>'

    return lead + turned("n", 6, short) + turned("f", 6 + 2.6 * max(len(short), 2) + 1, rail.length)


def _line_figure(line: Spot, y: float) -> str:
    return (
        f'<path class="k" d="M{LEFT - 3:.2f} {y:.2f}h3"/><text class="f" text-anchor="end" x="{LEFT - 4:.2f}" y="{y + 1.8:.2f}">'
        f'{escape(line.length)}</text><text class="n" text-anchor="end" x="{LEFT - 4:.2f}" y="{y + 5.6:.2f}">{escape(line.name)}</text>'
    )


def _datum(x: float, y: float, rails: list[float]) -> str:
    """The datum's cross; its name below to the left, or above the eave where a rail's line comes down there."""
    taken = any(x - DATUM_WIDE < rail < x + 2 for rail in rails)
    anchor, across, up = ("start", x + 3.5, y - 2) if taken else ("end", x + 1, y + 6.6)
    return (
        f'<path class="k" d="M{x - 3:.2f} {y:.2f}h6M{x:.2f} {y - 3:.2f}v6"/><circle class="k" cx="{x:.2f}" cy="{y:.2f}" r="1.6"/>'
        f'<text class="n d-halo" text-anchor="{anchor}" x="{across:.2f}" y="{up:.2f}" style="stroke-width:1">{escape(WORDS["datum_mark"])}</text>'
    )
