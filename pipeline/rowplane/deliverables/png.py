"""deviation.png: how the substrate leaves its plane, face by face, with hooks and feet on it."""

from __future__ import annotations

import io
import math
import warnings
from typing import Any

import numpy as np
import shapely
from scipy import ndimage

from rowplane.deliverables.content import FaceDrawing, Files, Sheets
from rowplane.deliverables.words import WORDS
from rowplane.model import Array, RoofResult, Surface

COLOURS = "PuOr_r"
"""ColorBrewer PuOr, flagged safe for colour-blind readers; orange is high, purple low. Sign is told by contours too."""

LEAST_RANGE_MM = 5.0
LOOKS: dict[str, dict[str, Any]] = {
    "outline": {"ec": "#111", "lw": 1.4},
    "obstacle": {"ec": "#111", "lw": 1.0, "hatch": "xx"},
    "patch": {"ec": "#444", "lw": 0.8},
    "module": {"ec": "#1d3a5f", "lw": 0.5},
}
HATCHES = {"missing": "----", "displaced": "////", "growth": "....", "cap": "||||", "tray": "\\\\\\\\"}
"""Told apart by their lines, not by colour: the sheet is printed grey as often as not."""
SPOTS: dict[tuple[str, str], dict[str, Any]] = {
    ("hook", ""): {"marker": "s", "s": 9, "c": "w", "edgecolors": "#111"},
    ("hook", "find"): {"marker": "D", "s": 9, "c": "w", "edgecolors": "#111"},
    ("foot", "ok"): {"marker": "o", "s": 15, "c": "#111", "edgecolors": "w"},
    ("foot", "measure"): {"marker": "^", "s": 22, "c": "w", "edgecolors": "#111"},
}
SPOT_WORDS = {
    ("hook", ""): "key_hook", ("hook", "find"): "key_find", ("foot", "ok"): "key_foot", ("foot", "measure"): "key_measure",
}  # fmt: skip

WORST_SPOTS = 3
SPOTS_APART_MM = 1500.0
CLEAR_MM = 1100.0, 500.0
"""Across and up the slope: a value beside a spot is a word wide, and contours keep their figures off it."""
NORTH_POINTS = 12.0
"""Half the length of the north arrow; twice that from its middle to the frame leaves room for the letter."""
DPI = 120
WIDTH, HEAD, BETWEEN, FOOT = 11.0, 0.95, 0.85, 0.55
"""Inches: of the page, above the first panel, between panels, for the key."""


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
    tall = sum(heights) + BETWEEN * len(heights) + HEAD + FOOT
    figure = Figure(figsize=(WIDTH, tall))
    canvas = FigureCanvasAgg(figure)
    limit = _range(shown)
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
            place = (0.9, 0.5 - 2.2 / tall, 0.02, 4.4 / tall)
            bar = figure.colorbar(axis.images[0], cax=figure.add_axes(place), extend="both")
            bar.set_label("mm over the plane: orange, full lines high; purple, dashed low", fontsize=8)
            _key(figure, [drawings[s.face.id] for s in shown], tall)
        out = io.BytesIO()
        canvas.print_figure(out, format="png", dpi=DPI, metadata={"Software": None})
    return out.getvalue()


def _range(shown: list[Surface]) -> float:
    """Colours end here, mm: beyond what nearly all of the roof needs, so that one tip does not pale all the rest."""
    if not shown:
        return LEAST_RANGE_MM
    return 1.2 * max(LEAST_RANGE_MM, float(np.nanquantile(np.abs(np.concatenate([s.own_mm.ravel() for s in shown])), 0.98)))


def _panel_height(surface: Surface) -> float:
    low_u, low_v, high_u, high_v = surface.face.outline.bounds
    return float(np.clip(9.0 * (high_v - low_v) / max(high_u - low_u, 1.0), 1.8, 9.0))


def _panel(axis: Any, surface: Surface, drawing: FaceDrawing, limit: float) -> None:
    from matplotlib import patheffects
    from matplotlib.patches import Polygon as MplPolygon

    rows, columns = surface.own_mm.shape
    step = surface.raster_step_mm
    us = surface.raster_uv_mm[0] + step * np.arange(columns)
    vs = surface.raster_uv_mm[1] + step * np.arange(rows)
    spots = _worst_spots(surface, us, vs)
    # One cell more all round: the outer cells' middles lie within the outline, not on it.
    height = _filled(np.pad(surface.own_mm, 1, constant_values=np.nan))
    us, vs = (np.concatenate([[x[0] - step], x, [x[-1] + step]]) for x in (us, vs))
    half = step / 2000
    extent = (us[0] / 1000 - half, us[-1] / 1000 + half, vs[0] / 1000 - half, vs[-1] / 1000 + half)
    edge = MplPolygon(np.array(surface.face.outline.exterior.coords) / 1000, transform=axis.transData)
    axis.imshow(
        height, origin="lower", extent=extent, cmap=COLOURS, vmin=-limit, vmax=limit, interpolation="bilinear", zorder=1,
        clip_path=edge, clip_on=True,
    )  # fmt: skip
    levels = _levels(limit, float(np.nanmax(np.abs(surface.own_mm))))
    if rows > 1 and columns > 1 and len(levels):
        lines = axis.contour(us / 1000, vs / 1000, height, levels=levels, colors="#333", linewidths=0.7, zorder=2)
        lines.set_clip_path(edge)
        # Dark lines with a light border are seen on light and dark ground, in colour and in grey.
        lines.set_path_effects([patheffects.withStroke(linewidth=2.0, foreground="w", alpha=0.55)])
        for word in axis.clabel(lines, fmt="%+g", fontsize=7):
            word.set_bbox({"boxstyle": "round,pad=0.1", "fc": "w", "ec": "none", "alpha": 0.75})
            at = 1000 * np.array(word.get_position())
            clear = all(np.any(np.abs(at - spot[:2]) > CLEAR_MM) for spot in spots)
            word.set_visible(bool(clear and shapely.contains_xy(surface.face.outline, *at)))
    _draw_marks(axis, drawing)
    _mark_worst(axis, surface, spots)
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
    _north(axis, drawing.north_deg)


def _filled(raster: Array) -> Array:
    """The raster with its nearest value outside the face: colours and contours then run up to the outline they are cut at."""
    outside = ~np.isfinite(raster)
    if not outside.any():
        return raster
    nearest = ndimage.distance_transform_edt(outside, return_distances=False, return_indices=True)
    return np.asarray(raster[tuple(nearest)])


def _levels(limit: float, most: float) -> Array:
    step = next((s for s in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if limit / s <= 5), 200.0)
    count = int(max(limit, most) // step)
    return step * np.array([k for k in range(-count, count + 1) if k != 0], dtype=float)


def _draw_marks(axis: Any, drawing: FaceDrawing) -> None:
    for mark in drawing.marks:
        if mark.shape == "area" and mark.layer in LOOKS:
            axis.fill(*_metres(mark.points), fill=False, zorder=3, **_look(mark.layer, mark.style))
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
    for (layer, style), look in SPOTS.items():
        points = tuple(m.points[0] for m in drawing.marks if m.shape == "spot" and (m.layer, m.style) == (layer, style))
        if points:
            axis.scatter(*_metres(points), linewidths=0.7, zorder=4, **look)


def _look(layer: str, style: str) -> dict[str, Any]:
    return {**LOOKS[layer], **({"hatch": HATCHES[style]} if layer == "patch" and style in HATCHES else {})}


def _key(figure: Any, drawings: list[FaceDrawing], tall: float) -> None:
    """What the marks mean, those that are on the page, in one row at its foot."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch as MplPatch

    there = {(m.layer, m.style) for d in drawings for m in d.marks}
    entries: list[Any] = [
        Line2D([], [], ls="", marker=look["marker"], mfc=look["c"], mec=look["edgecolors"], mew=0.7, ms=5, label=WORDS[SPOT_WORDS[mark]])
        for mark, look in SPOTS.items()
        if mark in there
    ]
    entries.append(Line2D([], [], ls="", marker="x", mec="#000", mew=1.6, ms=6, label=WORDS["key_worst"]))
    entries += [
        MplPatch(fill=False, label=WORDS[f"key_{style}"], **_look("patch", style))
        for style in HATCHES
        if ("patch", style) in there
    ]
    if any(layer == "obstacle" for layer, _ in there):
        entries.append(MplPatch(fill=False, label=WORDS["key_obstacle"], **_look("obstacle", "")))
    figure.legend(
        handles=entries, loc="lower left", bbox_to_anchor=(0.05, 0.05 / tall), ncols=7, fontsize=8, frameon=False, handleheight=1.4
    )


def _metres(points: tuple[tuple[float, float], ...]) -> tuple[list[float], list[float]]:
    return [p[0] / 1000 for p in points], [p[1] / 1000 for p in points]


def _worst_spots(surface: Surface, us: Array, vs: Array) -> list[tuple[float, float, float]]:
    """(u, v, deviation) of the greatest deviations, mm, the worst first, none near another."""
    left = np.abs(surface.own_mm)
    spots: list[tuple[float, float, float]] = []
    while len(spots) < WORST_SPOTS and np.isfinite(left).any():
        row, column = np.unravel_index(int(np.nanargmax(left)), left.shape)
        u, v = float(us[column]), float(vs[row])
        spots.append((u, v, float(surface.own_mm[row, column])))
        left[np.hypot(us[None, :] - u, vs[:, None] - v) < SPOTS_APART_MM] = np.nan
    return spots


def _mark_worst(axis: Any, surface: Surface, spots: list[tuple[float, float, float]]) -> None:
    middle = surface.face.outline.centroid
    for u, v, value in spots:
        axis.plot(u / 1000, v / 1000, "x", color="#000", ms=7, mew=1.6, zorder=5)
        # Towards the middle of the face: outside stand the names of its edges.
        right, up = u < middle.x, v < middle.y
        axis.annotate(
            f"{value:+.0f} mm",
            (u / 1000, v / 1000),
            xytext=(6 if right else -6, 6 if up else -6),
            textcoords="offset points",
            ha="left" if right else "right",
            va="bottom" if up else "top",
            fontsize=8,
            weight="bold",
            bbox={"boxstyle": "round,pad=0.15", "fc": "w", "ec": "none", "alpha": 0.85},
            zorder=6,
        )


def _north(axis: Any, turn_deg: float) -> None:
    """The arrow in the panel's upper right corner, of one size whatever the face's."""
    from matplotlib.patches import FancyArrowPatch
    from matplotlib.transforms import Affine2D, ScaledTranslation

    lean, half = math.radians(turn_deg), NORTH_POINTS
    du, dv = half * math.sin(lean), half * math.cos(lean)
    tip, tail, letter = ((k * du - 2 * half, k * dv - 2 * half) for k in (1.0, -1.0, 1.55))
    here = Affine2D().scale(1 / 72) + axis.figure.dpi_scale_trans + ScaledTranslation(1.0, 1.0, axis.transAxes)
    arrow = FancyArrowPatch(tail, tip, arrowstyle="-|>", mutation_scale=10, color="#111", lw=1.6, shrinkA=0, shrinkB=0, transform=here)
    axis.add_patch(arrow)
    axis.text(*letter, "N", ha="center", va="center", fontsize=9, weight="bold", transform=here)
