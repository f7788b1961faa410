"""What lies on or sticks out of the tiles and is kept out of the substrate: where, what, how high."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from rowplane.model import Array, Face, FaceFrame, Patch
from rowplane.surface.cells import PARTS, Cells
from rowplane.surface.datum import carried
from rowplane.surface.field import SubstrateField
from rowplane.surface.grid import Grid
from rowplane.surface.strips import Strip

JOIN_MM = 120.0
FEWEST_PARTS = 2
"""One part by itself, a hand wide, is as often chance: among thousands some stand off four sigmas."""


def patches_of(cells: Cells, good: NDArray[np.bool_], field: SubstrateField, grid: Grid) -> tuple[Patch, ...]:
    """Patches of whole tiles that stand off (`good` False) and of parts of tiles kept out, joined where they touch.

    `field` is in the frame of `cells`; `grid` in the frame that the outlines come out in.
    """
    bad = cells.only(~good)
    whole = np.column_stack([bad.tile + 0.5, bad.height - field.mean_mm(bad.uv)]) if len(bad.uv) else np.zeros((0, 3))
    shapes = [_rectangle(grid, course, column, 0.5, 0.5) for course, column, _ in whole]
    heights = [float(h) for *_, h in whole]
    for course, column, height, _ in cells.off:
        shapes.append(_rectangle(grid, course, column, 0.5 / PARTS[0], 0.5 / PARTS[1]))
        heights.append(float(height))
    return _joined(shapes, np.array(heights), np.concatenate([np.ones(len(whole)), cells.off[:, 3]]) > 0)


def strip_patch(strip: Strip, old: FaceFrame, face: Face) -> Patch:
    """A strip cut along an edge, found in the frame `old`, as a patch of `face`: a cap, or what lies lower than tiles do."""
    outline = shapely.transform(strip.outline(), lambda xy: carried(old, face.frame, xy)[:, :2])
    kept = outline.intersection(face.outline)
    return Patch(kept if kept.geom_type == "Polygon" else outline, "cap" if strip.height_mm > 0 else "tray", strip.height_mm)


def _rectangle(grid: Grid, course: float, column: float, half_course: float, half_column: float) -> shapely.Polygon:
    c = column + half_column * np.array([-1, 1, 1, -1])
    k = course + half_course * np.array([-1, -1, 1, 1])
    return shapely.Polygon(np.column_stack(grid.place(c, k)))


def _joined(shapes: list[shapely.Polygon], heights: Array, whole: NDArray[np.bool_]) -> tuple[Patch, ...]:
    if not shapes:
        return ()
    union = shapely.union_all([s.buffer(JOIN_MM / 4, join_style="mitre") for s in shapes])
    parts = list(union.geoms) if union.geom_type == "MultiPolygon" else [union]
    tree = shapely.STRtree([s.centroid for s in shapes])
    out = []
    for part in parts:
        members = np.sort(tree.query(part, predicate="intersects"))
        if len(members) < FEWEST_PARTS and not whole[members].any():
            continue
        middle = float(np.median(heights[members]))
        tiles = shapely.union_all([shapes[k] for k in members if whole[k]]).area
        kind = "missing" if middle < -12 else "displaced" if tiles > 0.5 * part.area else "growth"
        out.append(Patch(part.buffer(-JOIN_MM / 4, join_style="mitre"), kind, middle))  # type: ignore[arg-type]
    return tuple(p for p in out if not p.outline.is_empty)
