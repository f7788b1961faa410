"""deviation.png: how the substrate leaves its plane, face by face, with hooks and feet on it."""

from __future__ import annotations

import io
import math
import warnings
from typing import Any

import numpy as np

from rowplane.deliverables.content import FaceDrawing, Files, Sheets
from rowplane.model import Array, RoofResult, Surface

COLOURS = "PuOr_r"
"""ColorBrewer PuOr, flagged safe for colour-blind readers; orange is high, purple low. Sign is told by contours too."""

LEAST_RANGE_MM = 5.0
WORST_SPOTS = 3
SPOTS_APART_MM = 1500.0
DPI = 120
WIDTH, HEAD, BETWEEN = 11.0, 0.95, 0.85
"""Inches: of the page, above the first panel, between panels."""


def png_files(result: RoofResult, sheets: Sheets) -> Files:
    """deviation.png; where no face was mapped, a page that says so."""
    return {"deviation.png": deviation_png(result, sheets)}


def deviation_png(result: RoofResult, sheets: Sheets) -> bytes:
    """One panel per mapped face, one colour scale for all, centred on zero."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    drawings = {d.face: d for d in sheets.drawings}
    shown = [s for s in result.surfaces.surfaces if s.face.id in drawings and np.isfinite(s.own_mm).any()]
    heights = [_panel_height(s) for s in shown] or [2.0]
    tall = sum(heights) + BETWEEN * len(heights) + HEAD
    figure = Figure(figsize=(WIDTH, tall))
    canvas = FigureCanvasAgg(figure)
    limit = 1.2 * max([LEAST_RANGE_MM, *(float(np.nanquantile(np.abs(s.own_mm), 0.995)) for s in shown)])
    with warnings.catch_warnings():
        # A name may hold letters the font lacks; it is then drawn with boxes, which is no reason to speak up.
        warnings.simplefilter("ignore")
        head = f"{sheets.lead[:70]}: deviation of the substrate from its plane"
        stamp = f"survey date {sheets.survey_date}, revision {sheets.revision}"
        for line, text in ((0.3, head), (0.55, stamp)):
            figure.text(0.02, 1 - line / tall, text, fontsize=12, parse_math=False)
        if not shown:
            figure.text(0.02, 0.4, sheets.headline[:160], wrap=True, parse_math=False)
        top, axis = tall - HEAD, None
        for surface, height in zip(shown, heights, strict=False):
            axis = figure.add_axes((0.06, (top - height) / tall, 0.8, height / tall))
            _panel(axis, surface, drawings[surface.face.id], limit)
            top -= height + BETWEEN
        if axis is not None:
            bar = figure.colorbar(axis.images[0], cax=figure.add_axes((0.9, 0.5 - 2.2 / tall, 0.02, 4.4 / tall)))
            bar.set_label("mm over the plane: orange, full lines high; purple, dashed low", fontsize=8)
        out = io.BytesIO()
        canvas.print_figure(out, format="png", dpi=DPI, metadata={"Software": None})
    return out.getvalue()


def _panel_height(surface: Surface) -> float:
    low_u, low_v, high_u, high_v = surface.face.outline.bounds
    return float(np.clip(9.0 * (high_v - low_v) / max(high_u - low_u, 1.0), 1.8, 9.0))


def _panel(axis: Any, surface: Surface, drawing: FaceDrawing, limit: float) -> None:
    rows, columns = surface.own_mm.shape
    step = surface.raster_step_mm
    us = surface.raster_uv_mm[0] + step * np.arange(columns)
    vs = surface.raster_uv_mm[1] + step * np.arange(rows)
    half = step / 2000
    extent = (us[0] / 1000 - half, us[-1] / 1000 + half, vs[0] / 1000 - half, vs[-1] / 1000 + half)
    axis.imshow(
        surface.own_mm, origin="lower", extent=extent, cmap=COLOURS, vmin=-limit, vmax=limit, interpolation="nearest", zorder=1
    )
    levels = _levels(limit)
    if rows > 1 and columns > 1 and len(levels):
        lines = axis.contour(us / 1000, vs / 1000, surface.own_mm, levels=levels, colors="#333", linewidths=0.7, zorder=2)
        for word in axis.clabel(lines, fmt="%+g", fontsize=7):
            word.set_bbox({"boxstyle": "round,pad=0.1", "fc": "w", "ec": "none", "alpha": 0.75})
    _draw_marks(axis, drawing)
    _worst_spots(axis, surface, us, vs)
    axis.set_title(
        f"{drawing.title}   rms {surface.deviation_rms_mm:.1f} mm, greatest {surface.deviation_max_mm:.1f} mm",
        fontsize=10,
        loc="left",
        parse_math=False,
    )
    axis.set_aspect("equal")
    axis.set_xlabel("u from the datum, m", fontsize=8)
    axis.set_ylabel("v up the slope, m", fontsize=8)
    axis.tick_params(labelsize=7)
    left, low, right, top = (b / 1000 for b in drawing.bounds)
    axis.set_xlim(left - 0.6, right + 1.2)
    axis.set_ylim(low - 0.6, top + 0.6)
    _north(axis, drawing.north_deg, (right + 0.8, top - 0.2))


def _levels(limit: float) -> Array:
    step = next((s for s in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if limit / s <= 5), 200.0)
    count = int(limit // step)
    return step * np.array([k for k in range(-count, count + 1) if k != 0], dtype=float)


def _draw_marks(axis: Any, drawing: FaceDrawing) -> None:
    looks: dict[str, dict[str, Any]] = {
        "outline": {"color": "#111", "lw": 1.4},
        "obstacle": {"color": "#111", "lw": 1.0, "hatch": "xx"},
        "patch": {"color": "#555", "lw": 0.7, "hatch": "..."},
        "module": {"color": "#1d3a5f", "lw": 0.5},
    }
    for mark in drawing.marks:
        if mark.shape == "area" and mark.layer in looks:
            look = looks[mark.layer]
            axis.fill(*_metres(mark.points), fill=False, ec=look["color"], lw=look["lw"], hatch=look.get("hatch"), zorder=3)
        elif mark.shape == "label" and mark.layer == "edge":
            u, v = mark.points[0]
            axis.text(
                u / 1000,
                v / 1000,
                mark.text,
                rotation=mark.turn,
                rotation_mode="anchor",
                ha="center",
                va="center",
                fontsize=7,
                style="italic",
                parse_math=False,
            )
    spots = {
        style: [m.points[0] for m in drawing.marks if m.shape == "spot" and (m.layer, m.style) == style]
        for style in (("hook", ""), ("hook", "find"), ("foot", "ok"), ("foot", "measure"))
    }
    hooks = spots["hook", ""] + spots["hook", "find"]
    for points, look in (
        (hooks, {"marker": "s", "s": 9, "c": "w"}),
        (spots["foot", "ok"], {"marker": "o", "s": 13, "c": "#111"}),
        (spots["foot", "measure"], {"marker": "^", "s": 22, "c": "w"}),
    ):
        if points:
            axis.scatter(*_metres(tuple(points)), edgecolors="#111", linewidths=0.7, zorder=4, **look)


def _metres(points: tuple[tuple[float, float], ...]) -> tuple[list[float], list[float]]:
    return [p[0] / 1000 for p in points], [p[1] / 1000 for p in points]


def _worst_spots(axis: Any, surface: Surface, us: Array, vs: Array) -> None:
    left = np.abs(surface.own_mm).copy()
    for _ in range(WORST_SPOTS):
        if not np.isfinite(left).any():
            return
        row, column = np.unravel_index(int(np.nanargmax(left)), left.shape)
        u, v, value = float(us[column]), float(vs[row]), float(surface.own_mm[row, column])
        axis.plot(u / 1000, v / 1000, "x", color="#000", ms=7, mew=1.6, zorder=5)
        axis.annotate(
            f"{value:+.0f} mm",
            (u / 1000, v / 1000),
            xytext=(5, 5),
            textcoords="offset points",
            fontsize=8,
            weight="bold",
            bbox={"boxstyle": "round,pad=0.15", "fc": "w", "ec": "none", "alpha": 0.85},
            zorder=6,
        )
        left[np.hypot(us[None, :] - u, vs[:, None] - v) < SPOTS_APART_MM] = np.nan


def _north(axis: Any, turn_deg: float, at: tuple[float, float]) -> None:
    lean = math.radians(turn_deg)
    du, dv = 0.45 * math.sin(lean), 0.45 * math.cos(lean)
    axis.annotate(
        "",
        (at[0] + du, at[1] + dv),
        xytext=(at[0] - du, at[1] - dv),
        annotation_clip=False,
        arrowprops={"arrowstyle": "-|>", "color": "#111", "lw": 1.6},
    )
    axis.text(at[0] + 1.5 * du, at[1] + 1.5 * dv, "N", ha="center", va="center", fontsize=9, weight="bold")
